"""How many points the final model needs, from the noise of the pilot run, its terms and the site's sky."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError, NoSolution
from skysample.listeners import tell
from skysample.ordering import Annealed, best_order, schedule
from skysample.ordering.grid_problem import ordering_problem
from skysample.sampling import DEFAULT_SEPARATION, sample
from skysample.sampling.cells import edge_resolved_cells
from skysample.sampling.exchange import Places, exchanged
from skysample.sampling.grid import ideal_separation_rad
from skysample.site.mount_axes import sides
from skysample.sizing.confidence import error_upper, noise_upper, variance_draws
from skysample.sizing.final_model import DEFAULT_TARGET, final_terms, over_the_sky, wanted_error, with_terms

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import QTable
    from astropy.units import Quantity

    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.plugins.registry import Registry
    from skysample.site import Site
    from skysample.sizing.final_model import FinalModel
    from skysample.sky import UsableSky

_TABLE_SHARES = (0.5, 0.75, 1.0, 1.5)
"""Sizes in the table, in units of the recommended number."""


_ORDER = Annealed(trials=10_000)
"""A twentieth of the usual search, which costs a run of some dozen points less than 1 % in time."""

_CANDIDATES = 600
"""Cells per side to choose informed points from: coarser than in a plan, so that the answer takes seconds."""


@dataclass(frozen=True)
class DesignNeeded:
    """How many points of one design are needed.

    Attributes
    ----------
    recommended : int or None
        Smallest number that meets the target with 90 % confidence; None if that is above the limit.
    smallest : int or None
        Smallest number that would be enough if the pilot's noise were exact.
    table : QTable
        As in `PointsNeeded`.
    """

    recommended: int | None
    smallest: int | None
    table: QTable


@dataclass(frozen=True)
class PointsNeeded:
    """How many evenly spread points are needed; `informed` is the same for the other design.

    Attributes
    ----------
    recommended : int
        Smallest number that meets the target with 90 % confidence in the noise and in the failures.
    smallest : int
        Smallest number that would be enough if the pilot's noise were exact.
    target : Quantity
        Wanted standard error of the model over the usable sky, radial RMS, arcsec.
    sigma, sigma_upper : Quantity
        Noise per axis in the pilot run, and its 90 % upper bound if the target depends on it.
    terms : tuple of str
        Terms of the final model.
    failed_share : float
        Share of failed exposures allowed for.
    table : QTable
        points, sky_rms (expected), sky_rms_upper (not exceeded with 90 % confidence; this is compared with the target),
        sky_p95, detectable (smallest displacement term found with power 0.8 at a family-wise 5 %), minutes.
    informed : DesignNeeded or None
        The same for points placed where they constrain the terms best, with the same sizes in its table.
    """

    recommended: int
    smallest: int
    target: Quantity
    sigma: Quantity
    sigma_upper: Quantity
    terms: tuple[str, ...]
    failed_share: float
    table: QTable
    informed: DesignNeeded | None = None

    @property
    def by_design(self) -> bool:
        """Whether the target is half the noise, which depends on the design alone."""
        return math.isclose(float(self.target / self.sigma), DEFAULT_TARGET)

    def summary(self) -> str:
        """Say how many points are needed, and what more points would give."""
        rows = {int(row["points"]): row for row in self.table}
        here = rows[self.recommended]
        text = (
            f'Take {self.recommended} points: model error {here["sky_rms"].value:.2f}" RMS over the usable sky,'
            f" {here['minutes'].value:.0f} min."
        )
        after = next((row for points, row in rows.items() if points >= 1.25 * self.recommended), None)
        if after is not None:
            text += (
                f' {int(after["points"])} points would give {after["sky_rms"].value:.2f}" for'
                f" {after['minutes'].value - here['minutes'].value:.0f} min more."
            )
        return text

    def __str__(self) -> str:
        return self.summary()


def points_needed(
    site: Site,
    model: FittedModel,
    target: Quantity | None = None,
    *,
    terms: Sequence[str] | None = None,
    max_points: int = 300,
    failed_share: float = 0.05,
    seed: int = 0,
    sky: UsableSky | None = None,
    registry: Registry | None = None,
) -> PointsNeeded:
    """Find how many points the final model needs, spread evenly or placed to constrain its terms best.

    A grid meets the target if the model's standard error over the usable sky (radial RMS), with the true noise, does
    not exceed it.

    Parameters
    ----------
    site : Site
    model : FittedModel
        From the pilot run: its noise is used, and the geometry is linearised at its coefficients.
    target : Quantity, optional
        Wanted standard error of the model over the usable sky (radial RMS); default: half the noise per axis.
    terms : sequence of str, optional
        Terms of the final model; default: the extended set and the terms of the pilot model.
    max_points : int
        Largest number to consider.
    failed_share : float
        Chance that an exposure fails, 0 to 0.9.
    seed : int
        Seed of the grids and of the failures.
    sky : UsableSky, optional
        The usable sky, if already computed.
    registry : Registry, optional

    Returns
    -------
    PointsNeeded

    Raises
    ------
    NoSolution
        If the target needs more than `max_points`; its `partial` is the table so far.
    NotDetermined
        If no grid over this sky can separate two of the terms.
    """
    if not 0.0 <= failed_share <= 0.9:
        raise InputError(f"failed_share must be from 0 to 0.9; got {failed_share}", key="failed_share")
    model.check_site(site)
    sigma = model.sigma
    wanted = wanted_error(target, sigma)
    final = over_the_sky(site, with_terms(model, final_terms(model, terms), registry), sky, registry)
    if max_points < final.terms:
        raise InputError(
            f"max_points must be at least {final.terms}, the number of terms; got {max_points}",
            key="max_points",
        )
    # A target in units of the noise does not depend on how well the noise is known.
    dof = None if target is None else model.dof
    sizes = Sizes(Grids(final, seed), float(wanted / sigma), dof, failed_share, max_points)
    recommended, smallest = sizes.needed("even")
    informed, informed_smallest = sizes.needed("informed")
    shown = sizes.shown(recommended or max_points, informed)
    table = _table(sizes, "even", shown, recommended or max_points, sigma)
    other = DesignNeeded(
        informed, informed_smallest, _table(sizes, "informed", shown, informed or max_points, sigma)
    )
    if recommended is None or smallest is None:
        instead = f"; {informed} points of the informed design would be enough" if informed else ""
        raise NoSolution(
            f'{wanted.value:.2f}" over the sky needs more than {max_points} points, which give'
            f' {table["sky_rms_upper"][-1].value:.2f}"; allow more points, relax the target, or reduce noise{instead}',
            partial=table,
        )
    upper = sigma if dof is None else sigma * noise_upper(dof)
    names, share = final.model.names, failed_share
    return PointsNeeded(recommended, smallest, wanted, sigma, upper, names, share, table, other)


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


@dataclass(frozen=True)
class Sizes:
    """The error that each number of points gives, and the smallest number that meets the target.

    `share` is the wanted error over the noise, which is estimated with `dof` degrees of freedom; None: exact noise.
    """

    grids: Grids
    share: float
    dof: int | None
    failed_share: float
    max_points: int
    _draws: dict[tuple[str, int], Array] = field(default_factory=dict, repr=False, compare=False)

    @property
    def least(self) -> int:
        """Fewest points that leave a few degrees of freedom after failures."""
        return int(np.ceil((self.grids.final.terms / 2.0 + 2.0) / (1.0 - self.failed_share)))

    def variances(self, design: str, points: int) -> Array:
        """Mean radial variance over the sky for unit noise, one for each draw of failures."""
        key = (design, points)
        if key not in self._draws:
            rows = self.grids.places(design, points).rows
            self._draws[key] = variance_draws(rows, self.failed_share, self.grids.seed)
        return self._draws[key]

    def needed(self, design: str) -> tuple[int | None, int | None]:
        """Find the recommended number, and the smallest that would be enough if the noise were exact."""
        allowance = 1.0 if self.dof is None else noise_upper(self.dof) ** 2
        # An even grid of N points has a mean variance of a little more than p / N, an informed one less.
        first = (1.05 if design == "even" else 0.75) * self.grids.final.terms / self.share**2
        first *= 1.05 / (1.0 - self.failed_share)
        smallest = self._smallest(design, None, first)
        if self.dof is None:
            return smallest, smallest
        first = allowance * (smallest or first)
        return self._smallest(design, self.dof, first), smallest

    def _smallest(self, design: str, dof: int | None, first: float) -> int | None:
        """Find the smallest number of points whose own grid meets the target; None beyond `max_points`."""

        def error(points: int) -> float:
            return error_upper(self.variances(design, points), dof)

        low, high = min(self.least, self.max_points), self.max_points
        guess = int(np.clip(np.ceil(first), low, high))
        # The error falls about as the root of the number: a step leads near the answer. Then walk to the edge.
        for _ in range(3):
            found = error(guess)
            new = 2 * guess if np.isinf(found) else int(np.ceil(guess * (found / self.share) ** 2))
            guess, before = int(np.clip(new, low, high)), guess
            if abs(guess - before) <= 2:
                guess = before
                break
        while guess < high and error(guess) > self.share:
            guess += 1
        if error(guess) > self.share:
            return None
        while guess > low and error(guess - 1) <= self.share:
            guess -= 1
        return guess

    def minutes(self, design: str, points: list[int], centre: int) -> Array:
        """Durations of grids, shape (n,): two are ordered, and between them time is a power of the number."""
        other = points[-1] if points[-1] > centre else points[0]
        here, there = (self.grids.minutes(design, number) for number in (centre, other))
        power = np.log(there / here) / np.log(other / centre) if other != centre else 1.0
        return np.asarray(here * (np.array(points) / centre) ** power)

    def shown(self, centre: int, other: int | None) -> list[int]:
        """Sizes for the table: shares of one recommended number, and the other one."""
        least = (self.grids.final.terms / 2.0 + 3.0) / (1.0 - self.failed_share)
        wanted = {round(share * centre) for share in _TABLE_SHARES} | {other or centre}
        return sorted(points for points in wanted if least <= points <= self.max_points or points == centre)


def _table(sizes: Sizes, design: str, points: list[int], centre: int, sigma: Quantity) -> QTable:
    from astropy import units as u
    from astropy.table import QTable

    final, noise = sizes.grids.final, float(sigma.to_value(u.arcsec))
    rotations = len(final.model.function.rotation_slots)
    columns = np.empty((4, len(points)))
    for column, number in zip(columns.T, points, strict=True):
        grid = sizes.grids.places(design, number).rows
        covariance = np.linalg.inv(np.einsum("nip,niq->pq", grid, grid)) / (1.0 - sizes.failed_share)
        variances = sizes.variances(design, number)
        error = noise * final.radial_error(covariance)
        # Failures cost a little more than their share, as they leave holes.
        typical = noise * float(np.sqrt(np.median(variances)))
        stderr = noise * final.term_errors(covariance)
        stderr = stderr[rotations:] if len(stderr) > rotations else stderr
        column[:] = (
            typical,
            noise * error_upper(variances, sizes.dof),
            typical * float(np.percentile(error, 95.0) / np.sqrt(np.mean(error**2))),
            float(np.max(stderr)) * _detection_factor(2 * number - final.terms, final.terms),
        )
    names = ("sky_rms", "sky_rms_upper", "sky_p95", "detectable")
    return QTable(
        {
            "points": np.array(points, int),
            **{name: column * u.arcsec for name, column in zip(names, columns, strict=True)},
            "minutes": sizes.minutes(design, points, centre) * u.min,
        }
    )


def _detection_factor(dof: int, terms: int) -> float:
    """Smallest detectable term in standard errors: found with power 0.8 at a family-wise 5 % (Bonferroni)."""
    from scipy.special import stdtrit

    return float(stdtrit(dof, 1.0 - 0.025 / terms) + stdtrit(dof, 0.8))
