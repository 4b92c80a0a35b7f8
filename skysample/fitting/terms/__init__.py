"""Displacements that a model may carry, one a file, and the sets of terms that each mount kind uses.

A term is a small displacement of the tube, evaluated where the tube points once the rotations of the model are done.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.errors import InputError
from skysample.fitting.terms.axis_flexure import AxisFlexure
from skysample.fitting.terms.axis_slip import axis_slip
from skysample.fitting.terms.azimuth_wobble import AzimuthWobble
from skysample.fitting.terms.by_side import BY_SIDE, BySide
from skysample.fitting.terms.encoder_eccentricity import EncoderEccentricity
from skysample.fitting.terms.refraction_scale import RefractionScale
from skysample.fitting.terms.sideways_flexure import SidewaysFlexure
from skysample.fitting.terms.tube_flexure import TubeFlexure
from skysample.plugins.contracts import ROTATIONS, TERM_SETS
from skysample.plugins.hookspecs import hookimpl

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from skysample.plugins.contracts import Term
    from skysample.site import Mount

__all__ = ["EXTENDED", "STANDARD", "axis_slip", "choose_terms"]

STANDARD = {
    "fork": (*ROTATIONS["fork"], "tube_flexure", "fork_flexure"),
    "german": (*ROTATIONS["german"], "tube_flexure"),
    "altaz": (*ROTATIONS["altaz"], "tube_flexure"),
}
"""What a first run of about 15 points can carry."""

EXTENDED = {
    "fork": (*STANDARD["fork"], "primary_sin", "primary_cos", "secondary_sin", "secondary_cos"),
    "german": (*STANDARD["german"], "primary_sin", "primary_cos", "secondary_sin", "secondary_cos"),
    # The cosine part of an alt-az's altitude encoder moves the tube exactly as tube flexure does.
    "altaz": (*STANDARD["altaz"], "primary_sin", "primary_cos", "secondary_sin"),
}
"""What a final run may carry unasked: the standard set, and both encoders off their centres."""

SETS: Mapping[str, Mapping[str, tuple[str, ...]]] = dict(zip(TERM_SETS, (STANDARD, EXTENDED), strict=True))


@hookimpl
def skysample_terms(mount: Mount) -> list[Term]:
    """Return the core's own displacements."""
    terms: list[Term] = [TubeFlexure(mount.kind)]
    terms += [
        EncoderEccentricity(mount.kind, axis, part, periods)
        for periods in (1, 2)
        for axis in ("primary", "secondary")
        for part in ("sin", "cos")
    ]
    terms.append(RefractionScale(mount.kind))
    if mount.kind == "altaz":
        terms += [AzimuthWobble(motion, part) for motion in ("nod", "roll") for part in ("sin", "cos")]
        return terms
    shaft = "fork" if mount.kind == "fork" else "polar_axis"
    terms += [AxisFlexure(f"{shaft}_flexure", "cos"), AxisFlexure(f"{shaft}_twist", "sin"), SidewaysFlexure()]
    if mount.kind == "german":
        terms += [BySide(term) for term in BY_SIDE]
    return terms


def choose_terms(kind: str, wanted: Sequence[str] | None, available: Mapping[str, Term]) -> tuple[str, ...]:
    """Names of the terms to fit, rotations first.

    Parameters
    ----------
    kind : str
        Of mount.
    wanted : sequence of str or None
        Terms, or the names of sets ("standard", "extended"); None: the standard set.
    available : mapping of str to Term
        The displacements that plugins offer for this mount.

    Returns
    -------
    tuple of str

    Raises
    ------
    InputError
        If a name is unknown, or nothing is left to fit.
    """
    names: list[str] = []
    for name in ("standard",) if wanted is None else wanted:
        names.extend(SETS[name][kind] if name in SETS else (name,))
    known = (*ROTATIONS[kind], *available)
    for name in names:
        if name not in known:
            raise InputError(
                f"unknown term {name!r} for a {kind} mount; known: {', '.join((*SETS, *known))}", key="terms"
            )
    chosen = tuple(name for name in known if name in names)
    if not chosen:
        raise InputError("no term is left to fit; name at least one", key="terms")
    return chosen
