"""Keeps a plan away from the Moon.

The distance comes from the site file, 20 degrees where it gives none::

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
    """Return the Moon, at the distance that the site file gives."""
    return [Moon.from_site(site)]
