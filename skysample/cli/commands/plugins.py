"""The command `plugins`."""

from __future__ import annotations

from skysample.cli.commands.options import JsonOption
from skysample.cli.printing import show

__all__ = ["plugins"]


def plugins(as_json: JsonOption = False) -> None:
    """List what is installed and which hooks it answers.

    Example: skysample plugins
    """
    from skysample.cli.answers.plugins import plugins_answer
    from skysample.cli.sentences.plugins import plugin_lines
    from skysample.plugins import default_registry

    registry = default_registry()
    show(plugins_answer(registry), plugin_lines(registry), as_json=as_json)
