"""Read the settings of a plugin from the site file, with the checks of skysample's own tables."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import msgspec

from skysample.files.structs import typed

if TYPE_CHECKING:
    from collections.abc import Mapping

Struct = TypeVar("Struct", bound=msgspec.Struct)


def read_settings(settings: Mapping[str, Any], kind: type[Struct], *, plugin: str) -> Struct:
    """Read `[plugins.NAME]` of a site file into a struct.

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
