"""What is installed, in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.plugins import Registry

__all__ = ["plugin_lines"]


def plugin_lines(registry: Registry) -> Iterator[str]:
    """List the plugins."""
    for each in registry.installed:
        what = each.problem or f"answers {', '.join(hook.removeprefix('skysample_') for hook in each.hooks)}"
        yield f"{each.name} ({each.distribution} {each.version}): {what}"
