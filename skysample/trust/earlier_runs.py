"""What earlier runs or an earlier model say about a run: a bolt with a reversed sense, a clock, a model left on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.alignment import polar
from skysample.alignment.comparing import compare
from skysample.astrometry.sidereal import SIDEREAL_RAD_S
from skysample.errors import InputError, NoSolution, NotDetermined
from skysample.fitting import fit
from skysample.geometry import ARCSEC, rotation

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from skysample.alignment import PolarAlignment
    from skysample.fitting import FittedModel
    from skysample.geometry import Array
    from skysample.runs import Run
    from skysample.site import Site

_MODELLED = ("axis_skew", "cone", "tube_flexure")
_LARGE_RAD, _SMALL_RAD = 45.0 * ARCSEC, 15.0 * ARCSEC
_REHOMED_RAD = 60.0 * ARCSEC
_TURNED_RAD = 120.0 * ARCSEC
_ALONG_POLE = np.cos(np.radians(6.0))


@dataclass(frozen=True, slots=True)
class Change:
    """Something that differs from an earlier run, and contradicts the inputs."""

    cause: str
    sentence: str
    evidence: str
    fix: str
    wrong_arcmin: float
    certain: bool


def changes(
    run: Run, site: Site, earlier: Sequence[Run], model: FittedModel | None
) -> tuple[list[Change], list[str]]:
    """What contradicts the inputs, and what is only worth knowing.

    Parameters
    ----------
    run : Run
    site : Site
    earlier : sequence of Run
        Of the same telescope, in order of time.
    model : FittedModel, optional
        An earlier one of the same telescope.

    Returns
    -------
    list of Change
    list of str
        Cautions.
    """
    try:
        after = fit(run, site)
    except (NoSolution, NotDetermined):
        return [], []
    found: list[Change] = []
    cautions: list[str] = []
    before = [each for each in (_fitted(one, site) for one in earlier) if each is not None]
    for one in [*before, *([model] if model is not None else [])]:
        found.extend(_model_left_on(one, after))
    if before:
        cautions.extend(_rehomed(before[-1], after))
        found.extend(_turned_about_the_pole(before[-1], after, site))
        found.extend(_wrong_way(before[-1], after, site))
    return found, cautions


def _fitted(run: Run, site: Site) -> FittedModel | None:
    try:
        return fit(run, site)
    except (NoSolution, NotDetermined):
        return None


def _value(model: FittedModel, name: str) -> float:
    return float(model.values_rad[model.names.index(name)]) if name in model.names else 0.0


def _model_left_on(before: FittedModel, after: FittedModel) -> Iterator[Change]:
    was = [abs(_value(before, name)) for name in _MODELLED]
    now = [abs(_value(after, name)) for name in _MODELLED]
    if max(was) > _LARGE_RAD and max(now) < min(_SMALL_RAD, 0.2 * max(was)):
        yield Change(
            "model active",
            "a pointing model was active in the mount during this run",
            f'skew, cone and flexure were up to {max(was) / ARCSEC:.0f}" before and are all below'
            f' {max(now) / ARCSEC:.0f}" now',
            "Switch the model in the mount off, or log raw encoder readings, and repeat the run.",
            float("nan"),
            False,
        )


def _rehomed(before: FittedModel, after: FittedModel) -> Iterator[str]:
    for axis in ("primary", "secondary"):
        change = _value(after, f"{axis}_zero") - _value(before, f"{axis}_zero")
        if abs(change) > _REHOMED_RAD:
            yield (
                f"the {axis} encoder zero changed by {change / ARCSEC / 60.0:+.1f}' since the run before: re-homed or"
                " re-synced, which does not move the axis"
            )


def _attitude(model: FittedModel) -> Array:
    """Where the base holds the mount's frame, with the primary at its zero, shape (3, 3)."""
    chain = model.function.chain
    base, _ = chain.base(model.function.rotation_angles(model.values_rad)[:2])
    return np.asarray(base @ chain.frame @ rotation([0.0, 0.0, 1.0], -_value(model, "primary_zero")))


def _turned_about_the_pole(before: FittedModel, after: FittedModel, site: Site) -> Iterator[Change]:
    """An alt-az whose base turned about the celestial pole: what a clock error makes, and hardly any bolt."""
    if after.kind != "altaz":
        return
    turn = _attitude(after) @ _attitude(before).T
    vector = 0.5 * np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]])
    size = float(np.linalg.norm(vector))
    north = site.location.hemisphere * site.elevated_pole
    if size > _TURNED_RAD and abs(vector @ north) > _ALONG_POLE * size:
        yield Change(
            "clock",
            f"the clock changed by {size / SIDEREAL_RAD_S:.0f} s between the two runs",
            f"the base turned by {size / ARCSEC / 60.0:.1f}' about the celestial pole, as no foot turns it",
            "Compare the logging computer's clock with a phone's UTC in both runs.",
            size / ARCSEC / 60.0,
            False,
        )


def _wrong_way(before: FittedModel, after: FittedModel, site: Site) -> Iterator[Change]:
    """A bolt that went the other way than asked: its sense in the site file is reversed, or it was turned so."""
    first, second = _aligned(before, site), _aligned(after, site)
    if first is None or second is None:
        return
    try:
        comparison = compare(first, second)
    except InputError:
        return
    for each in comparison.adjusters:
        if each.verdict == "wrong way":
            yield Change(
                "axes",
                f"the {each.adjuster} bolt moves the axis the other way than the site file says, or was turned the"
                " wrong way",
                f"asked for {abs(each.asked_arcmin):.1f}', it moved {abs(each.made_arcmin):.1f}' the other way",
                f"Find out which way this bolt moves the axis, correct {each.adjuster}_clockwise in [wedge], and ask"
                " for the moves again.",
                2.0 * abs(each.asked_arcmin - each.made_arcmin),
                True,
            )


def _aligned(model: FittedModel, site: Site) -> PolarAlignment | None:
    try:
        return polar(model, site)
    except NotDetermined:
        return None
