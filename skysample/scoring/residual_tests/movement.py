"""Movements: axis or tube move with time, with temperature or all at once, or the image with the side of the pier.

Drift, temperature and side are added-variable F tests. A step is the largest such F over every place where the run can
be cut in two; that the cut is chosen where it explains most is allowed for by choosing it for simulated noise in the
same way (Andrews 1993, Econometrica 61, 821, has the large-sample form of this statistic; from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.geometry import ARCSEC
from skysample.scoring.residual_tests.residual_space import TestResult

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.scoring.residual_tests.residual_space import ResidualSpace

_AXIS_CURE = (
    "a creeping bolt or a settling pier; check every clamp (read the cautions of `skysample polar` first) and repeat"
    " the run"
)
_TUBE_CURE = (
    "a mirror, focuser or camera that moves, or an encoder that slips; lock or tighten it and repeat the run"
)

_CORRELATED = 0.8
"""Correlation of temperature and time from which on it is mentioned."""

_LEAST_PART = 3
_MOST_CUTS = 200
_DEPENDENT = 3e-5


def drift(left: ResidualSpace) -> TestResult | str:
    """Test whether axis and tube move in proportion to the time: four columns more."""
    if left.hours is None:
        return "the run has no times"
    return _along(
        left, left.hours, "time", "the points drift with time, as if {moved} in {span:.1f} h: {cure}"
    )


def temperature(left: ResidualSpace) -> TestResult | str:
    """Test whether axis and tube move in proportion to the temperature: four columns more."""
    warmth = left.temperature_c
    if warmth is None:
        return "not every point has a temperature"
    together = ""
    if left.hours is not None and np.ptp(left.hours) > 0.0 and np.ptp(warmth) > 0.0:
        correlation = float(np.corrcoef(left.hours, warmth)[0, 1])
        if abs(correlation) > _CORRELATED:
            together = f"; temperature and time changed together (correlation {correlation:+.2f}), so it may be a drift"
    return _along(
        left,
        warmth,
        "temperature",
        "the points move with temperature, as if {moved} over its {span:.1f} degrees: let tube and mount reach the"
        f" temperature of the night air before a run, or add a term for it (a plugin){together}",
    )


def _along(left: ResidualSpace, quantity: Array, name: str, sentence: str) -> TestResult | str:
    """Test whether axis and tube move in proportion to a quantity (n,)."""
    span = float(np.ptp(quantity))
    if span == 0.0:
        return f"all points have the same {name}"
    course = (quantity - quantity.mean()) / span
    found = left.with_columns(left.motion * course[:, None, None])
    if np.isnan(found.p):
        return "too few points"
    moved, cure = _likelier_motion(left, course)
    return TestResult(found.f, found.p, sentence.format(moved=moved, cure=cure, span=span), course)


def step(left: ResidualSpace) -> TestResult | str:
    """Test whether axis and tube jump once, somewhere in the run: four columns more, and the best cut."""
    if left.hours is None:
        return "the run has no times"
    order = np.argsort(left.hours, kind="stable")
    cuts = _cuts(left.hours[order])
    if not len(cuts) or left.dof < 5:
        return "too few points"
    place = np.argsort(order)
    courses = (place[:, None] >= cuts) - (1.0 - cuts / len(order))
    explained, counts = _explained(left, courses)

    def shares(errors: Array) -> Array:
        """Share of the squares that each cut explains, shape (cuts, b)."""
        along = (explained @ errors).reshape(len(cuts), 4, -1)
        return np.asarray(np.sum(along**2, axis=1) / np.sum(errors**2, axis=0))

    _, p = left.chance(lambda errors: np.asarray(np.max(shares(errors), axis=0)))
    share = shares(left.errors[:, None])[:, 0]
    best = int(np.argmax(share))
    count = int(counts[best])
    f = float(share[best]) / count * (left.dof - count) / (1.0 - float(share[best]))
    course = courses[:, best]
    moved, cure = _likelier_motion(left, course)
    before, after = order[cuts[best] - 1], order[cuts[best]]
    return TestResult(
        f,
        p,
        f"the points jump between row {left.rows[before]} ({left.clock[before]} UTC) and row {left.rows[after]}"
        f" ({left.clock[after]}), as if {moved} at once (a knock, a pulled cable, lost encoder counts): {cure}, or fit"
        " only the points after the jump (use = false before it)",
        course,
    )


def pier_side(left: ResidualSpace) -> TestResult | str:
    """Test whether the image stands differently in the tube on the two sides: two columns more.

    Cone and secondary zero are shifts in the tube, and a flip turns them over; what differs from side to side in
    the tube is the same on the sky.
    """
    if left.kind != "german":
        return "the mount does not flip"
    if min(np.count_nonzero(left.side > 0), np.count_nonzero(left.side < 0)) < _LEAST_PART:
        return "the points are all, or nearly all, on one side of the pier"
    found = left.with_columns(left.tube_motion * left.side[:, None, None])
    if np.isnan(found.p):
        return "too few points"
    half = float(np.linalg.norm(found.values))
    apart = 2.0 * half / ARCSEC
    error = 2.0 * float(np.linalg.norm(found.stderr * found.values / half)) / ARCSEC
    return TestResult(
        found.f,
        found.p,
        f'the two sides of the pier do not fit one model, as if the image shifted {apart:.1f}" +- {error:.1f}" in the'
        " tube at a flip: a mirror, camera or tube that moves when the mount flips; lock the mirror, tighten rings and"
        " saddle, and repeat the run",
    )


def _cuts(hours: Array) -> NDArray[np.int64]:
    """Numbers of points before each possible cut, from times in order."""
    cuts = np.arange(_LEAST_PART, len(hours) - _LEAST_PART + 1)
    cuts = cuts[hours[cuts] > hours[cuts - 1]]
    if len(cuts) > _MOST_CUTS:
        cuts = cuts[np.linspace(0, len(cuts) - 1, _MOST_CUTS).round().astype(int)]
    return np.asarray(cuts)


def _explained(left: ResidualSpace, courses: Array) -> tuple[Array, NDArray[np.int64]]:
    """Orthonormal directions (4 cuts, 2n) that the four columns of each cut can explain, and how many; others zero."""
    columns = left.motion[:, :, None, :] * courses[:, None, :, None]
    projected = left.projected(columns.reshape(len(courses), 2, -1))
    length = np.linalg.norm(projected, axis=0)
    scaled = (projected / np.where(length > 0.0, length, 1.0)).reshape(len(left.errors), -1, 4)
    basis, size, _ = np.linalg.svd(scaled.transpose(1, 0, 2), full_matrices=False)
    good = size > _DEPENDENT
    return (basis * good[:, None, :]).transpose(0, 2, 1).reshape(-1, len(left.errors)), good.sum(axis=1)


def _likelier_motion(left: ResidualSpace, course: Array) -> tuple[str, str]:
    """Which of axis and tube explains a course (n,) better, by how much it moved for a change of 1, and the cure."""
    axis, tube = (
        left.with_columns(each * course[:, None, None]) for each in (left.axis_motion, left.tube_motion)
    )
    if np.nan_to_num(axis.f) >= np.nan_to_num(tube.f):
        return _axis_moved(left.kind, axis.values, axis.stderr), _AXIS_CURE
    size = float(np.linalg.norm(tube.values))
    error = float(np.linalg.norm(tube.values / size * tube.stderr))
    return f'the image had shifted in the tube by {size / ARCSEC:.1f}" +- {error / ARCSEC:.1f}"', _TUBE_CURE


def _axis_moved(kind: str, values: Array, errors: Array) -> str:
    (first, second), (first_error, second_error) = values / ARCSEC / 60.0, errors / ARCSEC / 60.0
    one, other = f"{abs(first):.2f}' +- {first_error:.2f}'", f"{abs(second):.2f}' +- {second_error:.2f}'"
    sideways = "east" if second > 0 else "west"
    if kind == "altaz":
        along = "north" if first > 0 else "south"
        return f"the azimuth axis had tilted {one} to the {along} and {other} to the {sideways}"
    return f"the polar axis had {'risen' if first > 0 else 'sunk'} {one} and turned {other} to the {sideways}"
