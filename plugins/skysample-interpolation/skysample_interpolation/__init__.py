"""Terms of an axis encoder that misreads within each period of its signal, because its two channels do not match.

How many periods its signal has in one turn of the axis stands in the site file; an axis without a number has no such
terms::

    [plugins.interpolation]
    primary_periods = 64
    secondary_periods = 64
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.plugins import hookimpl, read_settings
from skysample_interpolation.term import Interpolation, InterpolationSettings, interpolation_terms

if TYPE_CHECKING:
    from collections.abc import Mapping

    from skysample.plugins import Term
    from skysample.site import Mount

__all__ = ["Interpolation", "InterpolationSettings", "interpolation_terms", "skysample_terms"]


@hookimpl
def skysample_terms(mount: Mount, settings: Mapping[str, Any]) -> list[Term]:
    """Offer four terms for each axis whose periods the site file gives."""
    given = read_settings(settings, InterpolationSettings, plugin="interpolation")
    return list(interpolation_terms(mount.kind, given))
