"""Plugins: the hooks, what they return, and the registry that loads and calls them."""

from skysample.plugins.contracts import Mistake, Obstruction, Ordering, Pointing, Term
from skysample.plugins.hookspecs import hookimpl, read_settings
from skysample.plugins.registry import Installed, Registry, build_registry, default_registry

__all__ = [
    "Installed",
    "Mistake",
    "Obstruction",
    "Ordering",
    "Pointing",
    "Registry",
    "Term",
    "build_registry",
    "default_registry",
    "hookimpl",
    "read_settings",
]
