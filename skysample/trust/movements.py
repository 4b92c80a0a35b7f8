"""Something that moved during the run: an axis that slipped, a camera that shifted, a base that sinks.

Two columns more, for every row from some point of time on, or in proportion to the time. A robust fit cannot be had by
leaving out what does not fit: half of the run may not. So each cut starts from the medians before and after it, and
the rows near that fit are kept (concentration: Rousseeuw & Van Driessen 2006, Data Min. Knowl. Discov. 12, 29).
"""

from __future__ import annotations

from dataclasses import dataclass
from operator import attrgetter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from skysample.fitting.scaled_design import ScaledDesign
from skysample.geometry import ARCSEC
from skysample.trust.smooth import LEAST_NOISE, SmoothField, marginal, smooth_field
from skysample.trust.weighing import FALSE_ODDS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.trust.weighing import Weighed

_LEAST_PART = 3
_MOST_CUTS = 60
_ROUNDS = 4
_FARTHEST, _NEAR_RAD = 5.0, 20.0 * ARCSEC
_SIZE_ARCSEC = 600.0
"""Of a slip, where there is one (our choice)."""

_AS_LIKELY = -5.0


@dataclass(frozen=True, eq=False)
class Movement:
    """A fit with something that moved.

    Attributes
    ----------
    cause : {"slip", "camera", "drift"}
    what : str
        What moved: "axes", "camera" or "base".
    first_row : int
        Index, in order of time, of the first row after it; 0 for a drift.
    size_rad : ndarray, shape (2,)
        By how much each of its two coefficients changed.
    aim_rad : ndarray, shape (2,)
        The two angles of the axis, as it stands at the end of the run.
    kept : ndarray of bool, shape (n,)
    without_rad : float
        Noise per axis of the rows kept without the movement, after a smooth field of their own.
    field : SmoothField
    odds : float
        On the scale of `Weighed.odds`.
    """

    cause: str
    what: str
    first_row: int
    size_rad: Array
    aim_rad: Array
    kept: NDArray[np.bool_]
    without_rad: float
    field: SmoothField
    odds: float


def movements(base: Weighed) -> Iterator[Movement]:
    """The likeliest movement of each kind, for a run of more than a few points."""
    if 2 * len(base.log) - len(base.function.names) < 6:
        return
    for what, columns in _motions(base):
        candidates = [
            found
            for cause, first, course, choices in _courses(base.log.time)
            if (found := _fitted(base, what, cause, first, columns * course[:, None, None], course, choices))
        ]
        if candidates:
            yield _with_field(base, max(candidates, key=attrgetter("odds")))


def _motions(base: Weighed) -> Iterator[tuple[str, Array]]:
    """What may move, and how its two coefficients carry the tube, shape (n, 2, 2)."""
    names, design = base.function.names, base.here.design
    yield "axes", design[:, :, [names.index("primary_zero"), names.index("secondary_zero")]]
    # The image hangs on the tube: after a flip it moves the other way in declination.
    side = np.where((base.log.side < 0) & (base.site.mount.kind == "german"), -1.0, 1.0)
    camera = design[:, :, [names.index("cone"), names.index("secondary_zero")]].copy()
    camera[:, :, 1] *= side[:, None]
    yield "camera", camera
    yield "base", design[:, :, :2]


def _courses(time: Time) -> Iterator[tuple[str, int, Array, int]]:
    """Cause, first row after, course over the run from 0 to 1 (n,), and among how many it was chosen."""
    hours = (time.jd1 - time.jd1[0] + time.jd2) * 24.0
    place = np.argsort(np.argsort(hours, kind="stable"))
    cuts = np.arange(_LEAST_PART, len(place) - _LEAST_PART + 1)
    if len(cuts) > _MOST_CUTS:
        cuts = np.unique(np.linspace(cuts[0], cuts[-1], _MOST_CUTS).round().astype(int))
    for cut in cuts:
        yield "slip", int(cut), (place >= cut).astype(float), len(cuts)
    if np.ptp(hours) > 0.0:
        yield "drift", 0, (hours - hours.min()) / np.ptp(hours), 1


class _Fit(NamedTuple):
    """A fit with one movement: coefficients of the terms and of the movement, rows kept, design and what is left."""

    odds: float
    cause: str
    what: str
    first_row: int
    values: Array
    kept: NDArray[np.bool_]
    design: Array
    left: Array


def _fitted(
    base: Weighed, what: str, cause: str, first: int, columns: Array, course: Array, choices: int
) -> _Fit | None:
    """Log odds without a smooth field, and the fit, for one course."""
    n, p = len(course), len(base.function.names)
    late = course > 0.5
    each = _row_by_row(columns, base.here.residuals, course)
    step = np.median(each[late], axis=0)
    design = np.concatenate([base.here.design, columns], axis=2)
    best: _Fit | None = None
    for start in (step, np.zeros(2)):
        kept = _near(_left(base.here.design, base.here.residuals - columns @ start))
        for _ in range(_ROUNDS):
            if 2 * int(kept.sum()) <= p + 4:
                break
            known = ScaledDesign.of(design[kept], base.here.residuals[kept])
            values = known.coefficients[:, 0]
            left = base.here.residuals - design @ values
            again = _near(left)
            if np.array_equal(again, kept):
                break
            kept = again
        if 2 * int(kept.sum()) <= p + 4 or known.rank < p + 2 or len(values) != p + 2:
            continue
        cost, dof = float(np.sum(left[kept] ** 2)), 2 * int(kept.sum()) - p - 2
        noise = max(np.sqrt(cost / dof), LEAST_NOISE) / ARCSEC
        spread = known.unscaled_covariance[-2:, -2:] * noise**2 * 2.0 * np.pi / _SIZE_ARCSEC**2
        paid = -0.5 * float(np.linalg.slogdet(spread)[1]) + float(np.log(choices)) - _AS_LIKELY
        odds = marginal(cost, dof) + FALSE_ODDS * int(n - kept.sum()) - paid
        if best is None or odds > best.odds:
            best = _Fit(odds, cause, what, first, values, kept, design, left)
    return best


def _row_by_row(columns: Array, residuals: Array, course: Array) -> Array:
    """The two coefficients that each row by itself would ask for, shape (n, 2)."""
    unit = columns / np.where(course > 0.0, course, 1.0)[:, None, None]
    normal = unit.transpose(0, 2, 1) @ unit + 1e-6 * np.eye(2)
    return np.asarray(np.linalg.solve(normal, unit.transpose(0, 2, 1) @ residuals[..., None])[..., 0])


def _left(design: Array, residuals: Array) -> Array:
    """Residuals of a fit to the better rows."""
    near = _near(residuals)
    if 2 * int(near.sum()) <= design.shape[2]:
        return residuals
    return np.asarray(residuals - design @ ScaledDesign.of(design[near], residuals[near]).coefficients[:, 0])


def _near(residuals: Array) -> NDArray[np.bool_]:
    size = np.linalg.norm(residuals, axis=1)
    # The median of a radius is 1.18 times the noise of an axis.
    return np.asarray(size <= max(_FARTHEST * float(np.median(size)) / 1.177, _NEAR_RAD))


def _with_field(base: Weighed, fit: _Fit) -> Movement:
    kept, latitude = fit.kept, base.site.location.latitude_rad
    places = base.directions[kept]
    field = smooth_field(fit.design[kept], fit.left[kept], places, latitude)
    without = smooth_field(base.here.design[kept], base.here.residuals[kept], places, latitude)
    moved = fit.values[-2:]
    return Movement(
        "camera" if fit.what == "camera" else fit.cause,
        fit.what,
        fit.first_row,
        moved,
        base.aim_rad + fit.values[:2] + (moved if fit.what == "base" else 0.0),
        kept,
        without.noise_rad,
        field,
        # The parts that movements do not change.
        fit.odds + field.gain + base.odds - _data_odds(base),
    )


def _data_odds(base: Weighed) -> float:
    """The part of a run's odds that its residuals decide."""
    cost = float(np.sum(base.here.residuals[base.kept] ** 2))
    return marginal(cost, base.dof) + base.field.gain + FALSE_ODDS * int(np.count_nonzero(~base.kept))
