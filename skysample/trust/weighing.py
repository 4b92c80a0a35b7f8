"""How well a run fits its site if its inputs are read in one way.

Every reading of the inputs is weighed by one number, the logarithm of its odds up to a constant: the likelihood of the
residuals with the noise unknown, with a smooth field where that pays for itself; a flat density for solutions that fit
nowhere; and what is expected of axis, encoder zeros and places. The widths of what is expected are common practice, no
source; each is bounded, so that no single one decides.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import NoSolution
from skysample.fitting.gauss_newton import Converged, Observations, linear_step
from skysample.fitting.outliers import deletion_f, trusted_points
from skysample.fitting.pointing import Moment, PointingFunction
from skysample.fitting.terms import STANDARD, choose_terms
from skysample.geometry import ARCSEC, wrap_pi
from skysample.plugins.registry import default_registry
from skysample.trust.places import place_odds
from skysample.trust.smooth import SmoothField, marginal, smooth_field

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site

FALSE_ODDS = float(np.log(0.05 / (np.pi * (3.0 * 3600.0) ** 2)))
"""Of a solution that fits nowhere: one in twenty, anywhere within 3 degrees, per square arcsecond."""

_FARTHEST_F = 16.0
"""Four times its error, per axis: farther from the fit to the others a point counts as false."""

_NEAR_RAD = 20.0 * ARCSEC
"""A point so near is never false: a mount may have a field of this size that no term describes."""

_ROUNDS = 8
_SETTLED_RAD = 0.01 * ARCSEC
_WILD_RAD = 1.0
_AXIS_DEG, _SQUARE_DEG = 3.0, 0.5
"""Standard deviations of the axis's error on a new installation, and of skew and cone."""

_ZERO_DEG = 0.5
_HOMED = 0.8
"""Standard deviation of an encoder's zero, and the share of mounts whose encoders were homed at all."""

_WORST = -9.0


@dataclass(frozen=True, eq=False)
class Weighed:
    """A run fitted under one reading of its inputs.

    Attributes
    ----------
    log : Log
    site : Site
    function : PointingFunction
        With the standard terms.
    here : Converged
        Coefficients, with design and residuals of every row.
    kept : ndarray of bool, shape (n,)
        Rows that the fit uses.
    directions : ndarray, shape (n, 3)
        Observed, by this reading.
    field : SmoothField
    ruled_out : int
        How many places the site or the plan rules out.
    odds : float
        Log odds of all, up to a constant.
    """

    log: Log
    site: Site
    function: PointingFunction
    here: Converged
    kept: NDArray[np.bool_]
    directions: Array
    field: SmoothField
    ruled_out: int
    odds: float

    @property
    def aim_rad(self) -> Array:
        """The two angles of the axis, shape (2,)."""
        return self.here.values[:2]

    @property
    def dof(self) -> int:
        """Degrees of freedom of the fit."""
        return 2 * int(self.kept.sum()) - len(self.function.names)

    @property
    def noise_rad(self) -> float:
        """Per axis, of the rows kept, before the smooth field."""
        return float(np.sqrt(np.sum(self.here.residuals[self.kept] ** 2) / self.dof))

    def started_at(self, values: Array) -> Weighed:
        """The same as a start for another fit, at other coefficients."""
        return replace(self, here=replace(self.here, values=values))


def terms_fitted(site: Site) -> int:
    """How many terms are fitted to a run of this site."""
    return len(STANDARD[site.mount.kind])


def weigh(
    log: Log, site: Site, *, planned: Array | None = None, start: Weighed | None = None, smooth: bool = True
) -> Weighed | None:
    """Fit the standard terms to a run, past false solutions, and weigh what is found.

    Parameters
    ----------
    log : Log
    site : Site
    planned : ndarray, shape (n, 3), optional
        Directions of the plan's points, nan where a row has none.
    start : Weighed, optional
        A reading so near to this one that its coefficients and the rows it kept will do as a start.
    smooth : bool
        Whether to look for a smooth field.

    Returns
    -------
    Weighed or None
        None if no mount fits half of the points.
    """
    kind = site.mount.kind
    available = default_registry().terms(site.mount, site.plugins)
    names = choose_terms(kind, None, available)
    function = PointingFunction.of(kind, site.location.latitude_rad, names, available)
    axes, directions = log.axes(site), log.directions(site)
    if not (np.isfinite(axes).all() and np.isfinite(directions).all()):
        return None
    data = Observations(axes, directions, np.ones(len(axes)), Moment())
    everything = np.ones(len(axes), bool)
    if start is not None:
        values = start.here.values
        starts = [start.kept if len(start.kept) == len(axes) else everything]
    else:
        try:
            kept, values = trusted_points(function, data)
        except (NoSolution, np.linalg.LinAlgError):
            return None
        starts = [kept] if kept.all() else [kept, everything]
    best: Weighed | None = None
    for first in starts:
        settled = _settled(function, data, values, first)
        if settled is None:
            continue
        found = _weighed(log, site, function, *settled, directions, planned, smooth=smooth)
        if best is None or found.odds > best.odds:
            best = found
    return best


def row_distances(log: Log, fitted: Weighed) -> Array:
    """How far each row of another reading lies from a fit, radians, shape (n,)."""
    data = Observations(log.axes(fitted.site), fitted.directions, np.ones(len(log)), Moment())
    return np.asarray(
        np.linalg.norm(Converged.at(fitted.function, fitted.here.values, data).residuals, axis=1)
    )


def _settled(
    function: PointingFunction, data: Observations, values: Array, kept: NDArray[np.bool_]
) -> tuple[Converged, NDArray[np.bool_]] | None:
    """Take Gauss-Newton steps and judge every row anew after each, until neither changes anything that counts."""
    fewest = len(function.names) // 2 + 2
    here = Converged.at(function, values, data)
    for _ in range(_ROUNDS):
        if int(kept.sum()) < fewest:
            return None
        step = linear_step(here.design[kept], here.residuals[kept], data.weights[kept])
        moved = float(np.sqrt(np.mean((here.design[kept] @ step) ** 2)))
        if not moved < _WILD_RAD:
            return None
        here = Converged.at(function, here.values + step, data)
        f, dof = deletion_f(here.design, here.residuals, data.weights, kept)
        again = (f <= _FARTHEST_F) | (np.linalg.norm(here.residuals, axis=1) < _NEAR_RAD)
        if moved < _SETTLED_RAD and (dof < 1 or np.array_equal(again, kept)):
            return here, kept
        if dof >= 1:
            kept = again
    return (here, kept) if int(kept.sum()) >= fewest else None


def _weighed(
    log: Log,
    site: Site,
    function: PointingFunction,
    here: Converged,
    kept: NDArray[np.bool_],
    directions: Array,
    planned: Array | None,
    *,
    smooth: bool,
) -> Weighed:
    dof = 2 * int(kept.sum()) - len(function.names)
    cost = float(np.sum(here.residuals[kept] ** 2))
    latitude = site.location.latitude_rad
    field = SmoothField(0.0, float(np.sqrt(cost / dof)), 0)
    if smooth:
        field = smooth_field(here.design[kept], here.residuals[kept], directions[kept], latitude)
    ruled_out, places = place_odds(site, log, directions, float(np.hypot(*here.values[:2])), planned)
    odds = marginal(cost, dof) + field.gain + FALSE_ODDS * int(np.count_nonzero(~kept))
    odds += expected_odds(function, here.values) + places
    return Weighed(log, site, function, here, kept, directions, field, ruled_out, odds)


def expected_odds(function: PointingFunction, values: Array) -> float:
    """How likely such an axis, encoder zeros, skew and cone are, before the data are seen."""
    angles = np.degrees(wrap_pi(function.rotation_angles(values)))
    width = _ZERO_DEG * np.sqrt(2.0 * np.pi)
    homed = _HOMED * np.exp(-0.5 * (angles[2:4] / _ZERO_DEG) ** 2) / width
    zeros = np.log(homed + (1.0 - _HOMED) / 360.0) - np.log(_HOMED / width)
    axis = -0.5 * float(np.sum(angles[:2] ** 2)) / _AXIS_DEG**2
    square = -0.5 * (angles[4:6] / _SQUARE_DEG) ** 2
    return float(np.sum(zeros) + max(axis, _WORST) + np.sum(np.maximum(square, _WORST)))
