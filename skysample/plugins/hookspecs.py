"""The three questions that skysample asks its plugins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pluggy

if TYPE_CHECKING:
    from skysample.plugins.contracts import Obstruction, Ordering, Term
    from skysample.site import Mount, Site

hookspec = pluggy.HookspecMarker("skysample")
hookimpl = pluggy.HookimplMarker("skysample")


@hookspec
def skysample_obstructions(site: Site) -> list[Obstruction]:  # type: ignore[empty-body] # never run
    """What keeps parts of this site's sky from being used."""


@hookspec
def skysample_orderings(site: Site) -> list[Ordering]:  # type: ignore[empty-body] # never run
    """Ways to order a plan's points."""


@hookspec
def skysample_terms(mount: Mount) -> list[Term]:  # type: ignore[empty-body] # never run
    """Displacements that a mount of this kind may need in its model."""
