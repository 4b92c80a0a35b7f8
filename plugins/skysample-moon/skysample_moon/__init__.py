"""Keep a plan away from the Moon.

The site file gives the distance; the default is 20 degrees::

    [plugins.moon]
    avoid_deg = 20
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from skysample.astrometry.moon import moon_direction
from skysample.plugins import hookimpl
from skysample_moon.obstruction import Moon

if TYPE_CHECKING:
    from skysample.plugins import Obstruction
    from skysample.site import Site

__all__ = ["Moon", "moon_direction", "skysample_obstructions"]


@hookimpl
def skysample_obstructions(site: Site) -> list[Obstruction]:
    """Return the Moon as an obstruction, with the distance from the site file."""
    return [Moon.from_site(site)]
