"""How hard to try for even points, in counts of iterations, so that every machine gives the same result."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["EFFORTS", "Effort"]


@dataclass(frozen=True, slots=True)
class Effort:
    """Counts of starts, of iterations in each stage, and of the cells they work on.

    Attributes
    ----------
    starts, kept, finals : int
        Random starts; how many of them go on to equal capacity; how many of those to the fine cells.
    lloyd, capacity, powers, each : int
        Iterations with plain centroids and with equal capacity; then how many powers of the distance
        (4, 6, 8, ...), and how many iterations for each.
    rough, coarse, fine : int
        Cells a point in the starts, in the next stages and in the last, at least.
    gives_up : str
        What is lost against the default, in words; empty when nothing is.
    """

    starts: int
    kept: int
    finals: int
    lloyd: int
    capacity: int
    powers: int
    each: int
    rough: int
    coarse: int
    fine: int
    gives_up: str = ""

    def for_points(self, points: int) -> Effort:
        """Try fewer starts beyond 100 points, where the work for each grows with the points."""
        if points <= 100:
            return self
        fewer = {name: max(1, 100 * getattr(self, name) // points) for name in ("starts", "kept", "finals")}
        return replace(self, **fewer)


EFFORTS = {
    "default": Effort(12, 4, 2, 40, 15, 8, 8, 24, 40, 400),
    "quick": Effort(
        *(2, 1, 1, 20, 8, 4, 6, 24, 30, 60),
        gives_up="few starts and coarse edges, for speed: the largest gaps may be a tenth wider",
    ),
    "thorough": Effort(60, 12, 4, 80, 30, 10, 12, 30, 60, 1200),
}
"""The efforts by name."""
