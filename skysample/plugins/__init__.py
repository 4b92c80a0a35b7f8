"""Plugins: the hooks, what they hand over, and the registry that loads and asks them."""

from skysample.plugins.contracts import Obstruction, Ordering, Pointing, Term
from skysample.plugins.hookspecs import hookimpl
from skysample.plugins.registry import Installed, Registry, build_registry, default_registry
from skysample.plugins.settings import read_settings

__all__ = [
    "Installed",
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
