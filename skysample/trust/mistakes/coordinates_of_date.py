"""Solutions or targets given for the equator and equinox of date, and read as ICRS."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from skysample.astrometry.of_date import icrs_from_apparent, icrs_from_mean
from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from astropy.time import Time

    from skysample.geometry import Array
    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = (
    "Look up the equinox that the plate solver and the mount use; give ICRS (J2000), or declare the equinox."
)
_KINDS = {"mean": icrs_from_mean, "apparent": icrs_from_apparent}
_WHICH = {"solutions": (True, False), "targets": (False, True), "solutions and targets": (True, True)}


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """Mean and apparent places, of the solutions, of the targets, and of both."""
    for which, (solved, target) in _WHICH.items():
        for kind, convert in _KINDS.items():

            def undo(
                log: Log,
                site: Site,
                solved: bool = solved,
                target: bool = target,
                convert: Callable[[Array, Time], Array] = convert,
            ) -> tuple[Log, Site] | None:
                if target and not log.from_targets:
                    return None
                return replace(
                    log,
                    solved_rad=convert(log.solved_rad, log.time) if solved else log.solved_rad,
                    mount_rad=convert(log.mount_rad, log.time) if target else log.mount_rad,
                ), site

            yield Mistake(
                f"{which} of date: {kind}",
                "coordinates of date",
                f"{which} are {kind} places of date, not ICRS (J2000)",
                _FIX,
                undo,
                -5.0,
                near=True,
            )
