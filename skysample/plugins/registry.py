"""Load plugins, ask them, and keep a broken one from breaking anything else."""

from __future__ import annotations

import importlib
import warnings
from dataclasses import dataclass, field
from functools import lru_cache
from importlib.metadata import entry_points
from typing import TYPE_CHECKING, Any

import pluggy

from skysample.errors import InputError, PluginError, SkysampleWarning
from skysample.plugins import hookspecs
from skysample.plugins.contracts import Obstruction, Ordering, Term

if TYPE_CHECKING:
    from collections.abc import Iterable

    from skysample.site import Mount, Site

__all__ = ["Installed", "Registry", "build_registry", "default_registry"]

CORE_PLUGINS = ("skysample.obstructions", "skysample.ordering", "skysample.terms")
GROUP = "skysample"
HOOKS = ("skysample_obstructions", "skysample_orderings", "skysample_terms")


@dataclass(frozen=True, slots=True)
class Installed:
    """One plugin as it was found.

    Attributes
    ----------
    name : str
        Entry-point name, or the module of a core plugin.
    distribution, version : str
        Where it comes from.
    hooks : tuple of str
        The hooks it answers.
    problem : str
        Why it is not used; empty when all is well.
    """

    name: str
    distribution: str
    version: str
    hooks: tuple[str, ...] = ()
    problem: str = ""


@dataclass(frozen=True)
class Registry:
    """The plugins that answer, core and site's own alike.

    Attributes
    ----------
    manager : pluggy.PluginManager
        With every working plugin registered.
    installed : tuple of Installed
        Also those that could not be used, with the reason.
    """

    manager: pluggy.PluginManager
    installed: tuple[Installed, ...] = field(default=())

    def obstructions(self, site: Site) -> dict[str, Obstruction]:
        """Every obstruction of a site, by name.

        Raises
        ------
        PluginError
            If a plugin raises or hands over something else: a plan that leaves out an obstruction is not safe.
        InputError
            If a plugin refuses its own table in the site file.
        """
        return self._collect("skysample_obstructions", Obstruction, skip_failures=False, site=site)

    def orderings(self, site: Site) -> dict[str, Ordering]:
        """Every ordering, by name; a plugin that fails is named in a warning and left out."""
        return self._collect("skysample_orderings", Ordering, skip_failures=True, site=site)

    def terms(self, mount: Mount) -> dict[str, Term]:
        """Every term for a mount, by name; a plugin that fails is named in a warning and left out."""
        return self._collect("skysample_terms", Term, skip_failures=True, mount=mount)

    def _collect(self, hook: str, kind: Any, *, skip_failures: bool, **arguments: Any) -> dict[str, Any]:
        found: dict[str, Any] = {}
        owner: dict[str, str] = {}
        for implementation in getattr(self.manager.hook, hook).get_hookimpls():
            plugin = implementation.plugin_name
            try:
                wanted = {name: arguments[name] for name in implementation.argnames}
                answers = _checked(implementation.function(**wanted), kind, plugin, hook)
            except InputError:
                # The plugin's own table in the site file is wrong: the user's to mend, whatever the hook.
                raise
            except Exception as error:
                problem = (
                    error
                    if isinstance(error, PluginError)
                    else PluginError(f"raised {type(error).__name__}: {error}", plugin=plugin, hook=hook)
                )
                if not skip_failures:
                    raise problem from error
                warnings.warn(f"{problem}; it is left out", SkysampleWarning, stacklevel=3)
                continue
            for answer in answers:
                name = answer.name
                if name in found:
                    raise PluginError(
                        f"the name {name!r} is already taken by plugin {owner[name]!r}; rename one of them",
                        plugin=plugin,
                        hook=hook,
                    )
                found[name], owner[name] = answer, plugin
        return found


def _checked(answers: Any, kind: Any, plugin: str, hook: str) -> list[Any]:
    if not isinstance(answers, list | tuple):
        raise PluginError(f"returned {type(answers).__name__}, not a list", plugin=plugin, hook=hook)
    for answer in answers:
        if not isinstance(answer, kind) or not isinstance(getattr(answer, "name", None), str):
            raise PluginError(
                f"returned {type(answer).__name__}, which is no {kind.__name__} (see skysample.plugins.contracts)",
                plugin=plugin,
                hook=hook,
            )
    return list(answers)


def build_registry(extra: Iterable[tuple[str, object]] = (), *, installed: bool = True) -> Registry:
    """Load the core's plugins, those installed under the entry-point group `skysample`, and some more.

    Parameters
    ----------
    extra : iterable of (str, object)
        Name and plugin, registered last.
    installed : bool
        Whether to look for installed plugins.

    Returns
    -------
    Registry
        A plugin that cannot be loaded or registered is left out, recorded in `installed`, and named in a
        SkysampleWarning.
    """
    from skysample import __version__

    manager = pluggy.PluginManager(GROUP)
    manager.add_hookspecs(hookspecs)
    records = [
        _register(manager, name, importlib.import_module(name), "skysample", __version__)
        for name in CORE_PLUGINS
    ]
    for point in sorted(entry_points(group=GROUP), key=lambda each: each.name) if installed else ():
        distribution = point.dist.name if point.dist else "?"
        version = point.dist.version if point.dist else "?"
        try:
            plugin = point.load()
        except Exception as error:  # noqa: BLE001 - whatever an outsider's import raises, the rest must work
            problem = f"cannot be loaded ({type(error).__name__}: {error})"
            records.append(Installed(point.name, distribution, version, problem=problem))
        else:
            records.append(_register(manager, point.name, plugin, distribution, version))
    records.extend(_register(manager, name, plugin, "given by the caller", "") for name, plugin in extra)
    for record in records:
        if record.problem:
            warnings.warn(
                f"plugin {record.name!r} of {record.distribution} {record.version} {record.problem}; it is left out",
                SkysampleWarning,
                stacklevel=2,
            )
    return Registry(manager, tuple(records))


def _register(
    manager: pluggy.PluginManager, name: str, plugin: object, distribution: str, version: str
) -> Installed:
    try:
        manager.register(plugin, name)
        manager.check_pending()
    except Exception as error:  # noqa: BLE001 - pluggy lets anything through, and may have registered half of it
        if manager.has_plugin(name) and manager.get_plugin(name) is plugin:
            manager.unregister(name=name)
        return Installed(name, distribution, version, problem=f"does not fit the hooks ({error})")
    hooks = tuple(
        hook for hook in HOOKS if any(i.plugin is plugin for i in getattr(manager.hook, hook).get_hookimpls())
    )
    problem = "" if hooks else "answers none of the hooks"
    return Installed(name, distribution, version, hooks, problem)


@lru_cache(maxsize=1)
def default_registry() -> Registry:
    """Return the registry of everything installed, built once."""
    return build_registry()
