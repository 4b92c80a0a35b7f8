"""The four hooks of a plugin, and the reading of its settings.

`settings` is the plugin's own table in the site file, `[plugins.NAME]`; empty if there is none.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pluggy

from skysample.files.structs import typed

if TYPE_CHECKING:
    from collections.abc import Mapping

    from skysample.files.structs import Struct
    from skysample.plugins.contracts import Mistake, Obstruction, Ordering, Term
    from skysample.site import Mount, Site

hookspec = pluggy.HookspecMarker("skysample")
hookimpl = pluggy.HookimplMarker("skysample")


@hookspec
def skysample_obstructions(site: Site, settings: Mapping[str, Any]) -> list[Obstruction]:  # type: ignore[empty-body] # never run
    """Return the obstructions of this site's sky."""


@hookspec
def skysample_orderings(site: Site, settings: Mapping[str, Any]) -> list[Ordering]:  # type: ignore[empty-body] # never run
    """Return ways to order the points of a plan."""


@hookspec
def skysample_terms(mount: Mount, settings: Mapping[str, Any]) -> list[Term]:  # type: ignore[empty-body] # never run
    """Return displacements that the model of such a mount may need."""


@hookspec
def skysample_mistakes(site: Site, settings: Mapping[str, Any]) -> list[Mistake]:  # type: ignore[empty-body] # never run
    """Return mistakes that a run or site file of this telescope may hold."""


def read_settings(settings: Mapping[str, Any], kind: type[Struct], *, plugin: str) -> Struct:
    """Read `[plugins.NAME]` of a site file into a struct, with the checks of skysample's own tables.

    Parameters
    ----------
    settings : mapping
        The table, as the hook receives it.
    kind : type of msgspec.Struct
        Its annotations say what is allowed; with `forbid_unknown_fields=True` an unknown key is refused, and the
        nearest known one suggested.
    plugin : str
        NAME: the name of the entry point and of the table.

    Returns
    -------
    Struct

    Raises
    ------
    InputError
        Names the key, the value given and the values allowed.
    """
    return typed(settings, kind, place=f"plugins.{plugin}")
