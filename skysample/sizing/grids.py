"""The grids that are compared: one for each design and number of points, made once."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from skysample.listeners import tell
from skysample.ordering import Annealed, best_order, schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.sampling import DEFAULT_SEPARATION, sample
from skysample.sampling.cells import edge_resolved_cells
from skysample.sampling.exchange import Places, exchanged
from skysample.sampling.grid import ideal_separation_rad
from skysample.site.mount_axes import sides

if TYPE_CHECKING:
    from skysample.sizing.final_model import FinalModel

__all__ = ["Grids"]

_ORDER = Annealed(trials=10_000)
"""A twentieth of the usual search, which costs a run of some dozen points less than 1 % in time."""

_CANDIDATES = 600
"""Cells per side to choose informed points from: coarser than in a plan, so that the answer takes seconds."""


@dataclass(frozen=True)
class Grids:
    """Grids over one sky for one model.

    Attributes
    ----------
    final : FinalModel
    seed : int
    """

    final: FinalModel
    seed: int
    _made: dict[tuple[str, int], Places] = field(default_factory=dict, repr=False, compare=False)

    def places(self, design: str, points: int) -> Places:
        """Points of a grid with their sides and whitened rows."""
        key = (design, points)
        if key not in self._made:
            tell(f"trying {points} {design} points")
            self._made[key] = self._even(points) if design == "even" else self._informed(points)
        return self._made[key]

    def minutes(self, design: str, points: int) -> float:
        """Duration of the grid: slewing in the best order found, exposures and overhead."""
        site = self.final.site
        problem = ordering_problem(site, self.places(design, points), self.seed)
        moves = schedule(problem, best_order(problem, _ORDER))
        return (moves.total_slew_s + points * (site.camera.exposure_s + site.camera.overhead_s)) / 60.0

    def _even(self, points: int) -> Places:
        grid = sample(self.final.sky, points, seed=self.seed, effort="quick")
        return Places(grid.directions, grid.sides, self.final.rows(grid.directions, grid.sides))

    def _informed(self, points: int) -> Places:
        """Exchange points for better ones as the informed design does, on coarser cells."""
        if ("cells", 0) not in self._made:
            self._made["cells", 0] = self._candidates()
        candidates, sky = self._made["cells", 0], self.final.sky
        area_sr = float(sky.reachable.sum()) * sky.pixel_sr
        cosine = math.cos(DEFAULT_SEPARATION * ideal_separation_rad(area_sr, points))
        # The cells follow a curve that fills the sky: equal steps along it are spread well enough to start from.
        start = np.linspace(0, len(candidates) - 1, points).round().astype(int)
        return exchanged(candidates, candidates[start], cosine)

    def _candidates(self) -> Places:
        sky = self.final.sky
        cells, side_of = [], []
        for column, side in enumerate(sides(sky.site.mount.kind)):
            if sky.reachable[:, column].any():
                merged = edge_resolved_cells(sky.directions[sky.reachable[:, column]], _CANDIDATES)[0]
                cells.append(merged[sky.usable(merged, side)])
                side_of.append(np.full(len(cells[-1]), side))
        directions, every_side = np.concatenate(cells), np.concatenate(side_of)
        return Places(directions, every_side, self.final.rows(directions, every_side))
