"""Mistakes that run or site file may hold, one cause a file: each says how it would be undone."""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.plugins.hookspecs import hookimpl
from skysample.trust.mistakes import (
    air,
    axes,
    clock,
    coordinates_of_date,
    date,
    kind,
    latitude,
    longitude,
    pier,
    rows,
    units,
)

if TYPE_CHECKING:
    from skysample.plugins.contracts import Mistake
    from skysample.site import Site

_CAUSES = (clock, date, longitude, latitude, coordinates_of_date, units, axes, rows, pier, kind, air)


@hookimpl
def skysample_mistakes(site: Site) -> list[Mistake]:
    """Return the core's own mistakes."""
    return [mistake for cause in _CAUSES for mistake in cause.mistakes(site)]
