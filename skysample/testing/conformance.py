"""Checks of terms, orderings and obstructions, which raise PluginError.

For the tests of a plugin: each returns nothing if all is well; otherwise the error says in one sentence what is wrong.
"""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.observed_place import hour_angle_dec
from skysample.errors import PluginError
from skysample.geometry import alt_az
from skysample.plugins import Pointing
from skysample.site.mount_axes import ideal_direction, mount_frame, sides, tube_side

if TYPE_CHECKING:
    from collections.abc import Callable

    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array
    from skysample.ordering.problem import OrderingProblem
    from skysample.plugins import Obstruction, Ordering, Term

STEP_RAD = 1e-4
"""Distance of neighbouring pointings in a sweep."""

LARGEST_STEP = 0.02
"""Largest change of a term between them, radians per radian: a slope of 200."""

LOWEST_RAD = np.radians(10.0)
FROM_POLES_RAD = np.radians(3.0)
ROUNDING = 1e-12
ONE_BY_ONE = 25


def check_term(term: Term, mount_kind: str, latitude_deg: float) -> None:
    """Check that a term is a well-behaved displacement.

    It must return finite floats of shape (n, 2) for n pointings (also for none, and of shape (2,) for one whose fields
    are scalars), with and without time and temperature; must not change its inputs; must give each pointing the same
    answer whatever else is in the batch; and must be smooth: in sweeps of either axis with the tube on one side, a step
    of `STEP_RAD` changes it by no more than `LARGEST_STEP`. Smoothness is required above 10 degrees of altitude and
    more than 3 degrees from the zenith and from the celestial poles.

    Parameters
    ----------
    term : Term
        The part to check.
    mount_kind : str
        "fork", "german" or "altaz".
    latitude_deg : float
        Of the site.

    Raises
    ------
    PluginError
        Says in one sentence what is wrong.
    """
    check = _Subject(term, "skysample_terms")
    rng = np.random.default_rng(20)
    axes = np.concatenate([_some_axes(mount_kind, side, rng) for side in sides(mount_kind)])
    pointing = _pointing(mount_kind, latitude_deg, axes)

    batch = _displacement(check, term, pointing)
    check.that(
        _same(_displacement(check, term, pointing), batch), "gave another displacement when called again"
    )
    order = rng.permutation(len(axes))
    shuffled = _displacement(check, term, _rows(pointing, order))
    check.that(
        _same(shuffled, batch[order]), "gave a pointing another displacement when the rows changed places"
    )
    _displacement(check, term, _rows(pointing, slice(0, 0)))
    single = _displacement(check, term, _rows(pointing, 0))
    check.that(_same(single, batch[0]), "gave a single pointing another displacement than in a batch")
    _displacement(
        check, term, replace(pointing, time=_nights_time(len(axes)), temperature_c=np.full(len(axes), 4.0))
    )
    _check_smoothness(check, term, mount_kind, latitude_deg)


def check_ordering(ordering: Ordering, problem: OrderingProblem) -> None:
    """Check that an ordering visits every point once, and is reproducible.

    Parameters
    ----------
    ordering : Ordering
        The part to check.
    problem : OrderingProblem
        Any; it must not be changed.

    Raises
    ------
    PluginError
        Says in one sentence what is wrong.
    """
    check = _Subject(ordering, "skysample_orderings")
    before = _copied(problem)
    first = check.array(lambda: ordering.order(problem), (problem.points,), "iu", "whole numbers")
    check.that(_unchanged(problem, before), "changed the problem it was given")
    check.that(
        bool(np.array_equal(np.sort(first), problem.numbers)),
        f"did not return each of the numbers 0 to {problem.points - 1} once",
    )
    again = check.answer(lambda: ordering.order(problem))
    check.that(bool(np.array_equal(first, again)), "gave another order for the same problem and seed")


def check_obstruction(obstruction: Obstruction, directions: Array, when: Time | None) -> None:
    """Check that an obstruction judges each direction on its own.

    It must return booleans of shape (n,), also for no directions; the same when called again, and for single directions
    (25 are tried) as in the batch; must not change its inputs; and must work without a time.

    Parameters
    ----------
    obstruction : Obstruction
        The part to check.
    directions : ndarray, shape (n, 3)
        Unit vectors, east-north-up.
    when : astropy.time.Time, scalar or shape (n,), or None
        The time.

    Raises
    ------
    PluginError
        Says in one sentence what is wrong.
    """
    check = _Subject(obstruction, "skysample_obstructions")

    def blocks(rows: slice) -> NDArray[np.bool_]:
        moment = when[rows] if when is not None and not when.isscalar else when
        return _blocks(check, obstruction, directions[rows], moment)

    batch = blocks(slice(None))
    check.that(bool(np.array_equal(blocks(slice(None)), batch)), "gave another answer when called again")
    _blocks(check, obstruction, directions, None)
    blocks(slice(0))
    for row in (
        np.unique(np.linspace(0, len(directions) - 1, ONE_BY_ONE).astype(int)) if len(directions) else ()
    ):
        same = bool(blocks(slice(row, row + 1))[0] == batch[row])
        check.that(same, f"gave another answer for direction {row} alone than in the batch")


class _Subject:
    """The part being checked, and its name in errors."""

    def __init__(self, subject: Any, hook: str) -> None:
        self.hook = hook
        self.name = type(subject).__name__
        name = getattr(subject, "name", None)
        self.that(isinstance(name, str) and bool(name), "has no name; give it a non-empty string `name`")
        self.name = str(name)

    def that(self, fits: bool, problem: str) -> None:
        if not fits:
            raise PluginError(problem, plugin=self.name, hook=self.hook)

    def answer(self, call: Callable[[], Any]) -> Any:
        try:
            return call()
        except Exception as error:
            raise PluginError(
                f"raised {type(error).__name__}: {error}", plugin=self.name, hook=self.hook
            ) from error

    def array(
        self, call: Callable[[], Any], shape: tuple[int, ...], kinds: str, kind_name: str
    ) -> NDArray[Any]:
        """Copy of an answer that has to be an array of this shape and of one of these kinds."""
        answer = self.answer(call)
        self.that(isinstance(answer, np.ndarray), f"returned {type(answer).__name__}, not an array")
        self.that(answer.shape == shape, f"returned the shape {answer.shape} instead of {shape}")
        self.that(answer.dtype.kind in kinds, f"returned an array of {answer.dtype}, not of {kind_name}")
        return np.array(answer)


def _displacement(check: _Subject, term: Term, pointing: Pointing) -> Array:
    before = _copied(pointing)
    answer = check.array(lambda: term.displacement(pointing), (*pointing.primary.shape, 2), "f", "floats")
    check.that(_unchanged(pointing, before), "changed the pointing it was given")
    check.that(bool(np.isfinite(answer).all()), "returned a value that is not finite")
    return answer


def _blocks(
    check: _Subject, obstruction: Obstruction, directions: Array, when: Time | None
) -> NDArray[np.bool_]:
    before = directions.copy()
    answer = check.array(lambda: obstruction.blocks(directions, when), (len(directions),), "b", "bool")
    check.that(bool(np.array_equal(before, directions)), "changed the directions it was given")
    return answer


def _check_smoothness(check: _Subject, term: Term, mount_kind: str, latitude_deg: float) -> None:
    for side in sides(mount_kind):
        for name, axes in _sweeps(mount_kind, side):
            pointing = _pointing(mount_kind, latitude_deg, axes)
            ordinary = (pointing.alt > LOWEST_RAD) & (pointing.alt < np.pi / 2.0 - FROM_POLES_RAD)
            ordinary &= np.abs(pointing.dec) < np.pi / 2.0 - FROM_POLES_RAD
            values = _displacement(check, term, _rows(pointing, ordinary))
            neighbours = np.diff(np.flatnonzero(ordinary)) == 1
            steps = np.abs(np.diff(values, axis=0)).max(axis=1, initial=0.0)[neighbours]
            largest = float(steps.max(initial=0.0))
            check.that(
                largest <= LARGEST_STEP,
                f"jumps by {largest:.3g} between pointings {STEP_RAD:g} rad apart in the {name} axis"
                f" (at most {LARGEST_STEP:g} is smooth)",
            )


def _sweeps(mount_kind: str, side: int) -> list[tuple[str, Array]]:
    """Mechanical angles `STEP_RAD` apart, moving either axis while the other is held."""
    turn = np.arange(-np.pi, np.pi, STEP_RAD)
    up = np.arange(0.0 if mount_kind == "altaz" else -np.pi / 2.0, np.pi / 2.0, STEP_RAD)
    lines = [("primary", turn, np.full_like(turn, held)) for held in np.radians([-35.0, 20.0, 65.0])]
    lines += [("secondary", np.full_like(up, held), up) for held in np.radians([-50.0, 15.0, 160.0])]
    return [(name, _on_side(np.stack(axes, axis=-1), side)) for name, *axes in lines]


def _some_axes(mount_kind: str, side: int, rng: np.random.Generator) -> Array:
    lowest = 0.1 if mount_kind == "altaz" else -1.2
    return _on_side(np.stack([rng.uniform(-3.0, 3.0, 40), rng.uniform(lowest, 1.2, 40)], axis=-1), side)


def _on_side(axes: Array, side: int) -> Array:
    return axes if side > 0 else np.stack([axes[:, 0] + np.pi, np.pi - axes[:, 1]], axis=-1)


def _pointing(mount_kind: str, latitude_deg: float, axes: Array) -> Pointing:
    """Pointings of a perfect mount."""
    latitude = float(np.radians(latitude_deg))
    sky = ideal_direction(mount_frame(mount_kind, latitude), axes)
    alt, az = alt_az(sky)
    hour_angle, dec = hour_angle_dec(sky, latitude)
    pier = tube_side(axes) if mount_kind == "german" else np.ones(len(axes), np.int64)
    return Pointing(axes[:, 0], axes[:, 1], alt, az, hour_angle, dec, pier, latitude)


def _rows(pointing: Pointing, rows: Any) -> Pointing:
    arrays: dict[str, Any] = {
        name: np.asarray(value[rows])
        for name, value in _copied(pointing).items()
        if isinstance(value, np.ndarray)
    }
    return replace(pointing, **arrays)


def _nights_time(count: int) -> Time:
    from astropy.time import Time

    return Time(2460000.5, np.linspace(0.0, 0.3, count), format="jd", scale="utc")


def _copied(record: Any) -> dict[str, Any]:
    return {
        each.name: value.copy() if isinstance(value := getattr(record, each.name), np.ndarray) else value
        for each in fields(record)
    }


def _unchanged(record: Any, before: dict[str, Any]) -> bool:
    return all(
        np.array_equal(getattr(record, name), value, equal_nan=True)
        for name, value in before.items()
        if isinstance(value, np.ndarray) and value.dtype.kind in "fiu"
    )


def _same(a: Array, b: Array) -> bool:
    return a.shape == b.shape and bool(np.allclose(a, b, rtol=ROUNDING, atol=ROUNDING))
