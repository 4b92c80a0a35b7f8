"""The three questions that skysample asks its plugins.

`settings` is the plugin's own table of the site file, `[plugins.NAME]`; empty where there is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pluggy

if TYPE_CHECKING:
    from collections.abc import Mapping

    from skysample.plugins.contracts import Obstruction, Ordering, Term
    from skysample.site import Mount, Site

hookspec = pluggy.HookspecMarker("skysample")
hookimpl = pluggy.HookimplMarker("skysample")


@hookspec
def skysample_obstructions(site: Site, settings: Mapping[str, Any]) -> list[Obstruction]:  # type: ignore[empty-body] # never run
    """What keeps parts of this site's sky from being used."""


@hookspec
def skysample_orderings(site: Site, settings: Mapping[str, Any]) -> list[Ordering]:  # type: ignore[empty-body] # never run
    """Ways to order a plan's points."""


@hookspec
def skysample_terms(mount: Mount, settings: Mapping[str, Any]) -> list[Term]:  # type: ignore[empty-body] # never run
    """Displacements that a mount of this kind may need in its model."""
