"""What `plugins --json` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from skysample.plugins import Registry

__all__ = ["plugins_answer"]


def plugins_answer(registry: Registry) -> dict[str, Any]:
    """Keys of `plugins`."""
    return {
        "plugins": [
            {
                "name": each.name,
                "distribution": each.distribution,
                "version": each.version,
                "hooks": list(each.hooks),
                "problem": each.problem or None,
            }
            for each in registry.installed
        ]
    }
