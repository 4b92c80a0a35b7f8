"""The command `plugins`: its JSON, its words."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.cli import inputs
from skysample.cli.printing import show, values

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.plugins import Registry


def plugins(as_json: inputs.JsonOption = False) -> None:
    """List the installed plugins and the hooks that each implements.

    Example: skysample plugins
    """
    from skysample.plugins import default_registry

    show(as_json, plugins_json, _plugin_lines, default_registry())


def plugins_json(registry: Registry) -> dict[str, Any]:
    """Keys of `plugins --json`."""
    return {
        "plugins": [values(each, "name distribution version hooks problem") for each in registry.installed]
    }


def _plugin_lines(registry: Registry) -> Iterator[str]:
    for each in registry.installed:
        hooks = ", ".join(hook.removeprefix("skysample_") for hook in each.hooks)
        yield f"{each.name} ({each.distribution} {each.version}): {each.problem or f'provides {hooks}'}"
