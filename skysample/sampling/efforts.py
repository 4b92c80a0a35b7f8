"""How hard to try for even points, in counts of iterations, so that a slow machine gives the same result."""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["EFFORTS", "Effort"]

_LARGEST_TRIED_TWICE = 200
_FEW = 24
_GOOD_OF_MANY = 1.175  # among so many cells the widest one is wider
# So few points pull hard on each other, and it takes softer powers and more steps to settle them all.
_HALVES_OF_FEW, _EACH_OF_FEW = (4, 6, 10, 17, 24, 34), 6


@dataclass(frozen=True, slots=True)
class Effort:
    """Counts of starts, of iterations in each stage, and of the cells they work on.

    Attributes
    ----------
    starts, finals, rescues : int
        Random starts on coarse cells; how many of them may go on to fine ones, until one is good; and how many
        more starts there are if none is.
    lloyd, capacity, each : int
        Iterations with plain centroids, with equal capacity, and for each power.
    coarse_halves, fine_halves : tuple of int
        Half the powers of the distance, on the coarse and on the fine cells.
    last_halves : tuple of int
        And, for the best alone, on cells four times as many.
    last_each : int
        Iterations for each of these.
    coarse, fine : int
        Cells a point on which the starts are tried, and inside the region in the end, at least.
    exact_edges : bool
        Whether the sky's edge is resolved as finely as `sheets` can.
    gives_up : str
        What is lost against the default, in words; empty when nothing is.
    """

    starts: int
    finals: int
    lloyd: int
    capacity: int
    each: int
    coarse_halves: tuple[int, ...]
    fine_halves: tuple[int, ...]
    last_halves: tuple[int, ...]
    coarse: int
    fine: int
    good: float = 1.145
    rescues: int = 0
    last_each: int = 4
    exact_edges: bool = True
    gives_up: str = ""

    def for_points(self, points: int) -> Effort:
        """Try fewer starts where each costs more: as many as given for 60 points, up to twice as many for fewer."""
        share = min(2.0, 60 / points)
        least = min(2, self.finals) if points <= _LARGEST_TRIED_TWICE else 1
        few, many = points <= _FEW and bool(self.last_halves), points > _LARGEST_TRIED_TWICE
        return replace(
            self,
            good=max(self.good, _GOOD_OF_MANY) if many else self.good,
            rescues=min(self.rescues, 1) if many else self.rescues,
            fine_halves=self.fine_halves[::2] if many else self.fine_halves,
            last_halves=_HALVES_OF_FEW if few else self.last_halves[1::2] if many else self.last_halves,
            last_each=max(self.last_each, _EACH_OF_FEW) if few else self.last_each,
            starts=max(least, round(share * self.starts)),
            finals=max(least, round(share * self.finals)),
        )


_FINE_HALVES = (4, 5, 6, 7, 8, 10, 12, 14, 17, 20, 24, 29)

EFFORTS = {
    "default": Effort(
        4, 3, 40, 15, 4, tuple(range(1, 9)), _FINE_HALVES, (12, 17, 24, 34), 40, 100, rescues=3
    ),
    "quick": Effort(
        *(2, 1, 20, 8, 4, (1, 2, 4, 6), (5, 8, 12, 18), (), 24, 40),
        exact_edges=False,
        gives_up="few starts and coarse edges, for speed: the largest gap may be a tenth wider",
    ),
    "thorough": Effort(
        24, 12, 80, 30, 10, tuple(range(1, 11)), _FINE_HALVES, (8, 12, 17, 24, 34, 48), 60, 200, last_each=10
    ),
}
"""The efforts by name."""
