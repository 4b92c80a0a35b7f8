"""Terms for an axis encoder with errors that repeat with its signal, because its two channels do not match.

The site file gives the number of signal periods per turn of each axis; an axis without it has no such terms::

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
    """Return four terms for each axis whose periods the site file gives."""
    periods = read_settings(settings, InterpolationSettings, plugin="interpolation")
    return list(interpolation_terms(mount.kind, periods))
