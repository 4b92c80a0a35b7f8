"""Load and call plugins, and keep a broken one from breaking anything else."""

from __future__ import annotations

import importlib
import warnings
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from importlib.metadata import entry_points
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import pluggy

from skysample.errors import PluginError, SkysampleWarning
from skysample.plugins import hookspecs
from skysample.plugins.contracts import RESERVED, Mistake, Obstruction, Ordering, Term
from skysample.plugins.guarded_calls import guarded_call
from skysample.version import __version__

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Mapping

    from skysample.site import Mount, Site

CORE_PLUGINS = (
    "skysample.sky.obstructions",
    "skysample.ordering",
    "skysample.fitting.terms",
    "skysample.trust.mistakes",
)
GROUP = "skysample"


@dataclass(frozen=True, slots=True)
class Installed:
    """A plugin found on this machine.

    Attributes
    ----------
    name : str
        Entry-point name, or the module of a core plugin.
    distribution, version : str
        The package that it comes from.
    hooks : tuple of str
        The hooks that it implements.
    problem : str
        Why it is not used; empty if it is.
    """

    name: str
    distribution: str
    version: str
    hooks: tuple[str, ...] = ()
    problem: str = ""


@dataclass(frozen=True)
class Registry:
    """The plugins in use, skysample's own and others alike.

    Attributes
    ----------
    manager : pluggy.PluginManager
        With every working plugin registered.
    installed : tuple of Installed
        All plugins found, with the reason for each that is not used.
    """

    manager: pluggy.PluginManager
    installed: tuple[Installed, ...] = ()

    def obstructions(self, site: Site) -> dict[str, Obstruction]:
        """Every obstruction of a site, by name.

        Raises
        ------
        PluginError
            If a plugin raises, returns something else, or uses a name that is taken: a plan that leaves out an
            obstruction is not safe.
        InputError
            If a plugin refuses its own table in the site file.
        """
        return self._collect("skysample_obstructions", Obstruction, site.plugins, safe=False, site=site)

    def orderings(self, site: Site) -> dict[str, Ordering]:
        """Every ordering, by name; one that cannot be used is left out, with a warning."""
        return self._collect("skysample_orderings", Ordering, site.plugins, site=site)

    def terms(
        self, mount: Mount, plugins: Mapping[str, Mapping[str, Any]] = MappingProxyType({})
    ) -> dict[str, Term]:
        """Every term for a mount, by name; one that cannot be used is left out, with a warning.

        Parameters
        ----------
        mount : Mount
        plugins : mapping
            The settings of the plugins: `Site.plugins`, or `FittedModel.plugins`.
        """
        return self._collect("skysample_terms", Term, plugins, reserved=RESERVED[mount.kind], mount=mount)

    def mistakes(self, site: Site) -> dict[str, Mistake]:
        """Every mistake that a run of a site may hold, by name; one that cannot be used is left out, with a warning."""
        return self._collect("skysample_mistakes", Mistake, site.plugins, site=site)

    def _collect(
        self,
        hook: str,
        kind: Any,
        settings: Mapping[str, Mapping[str, Any]],
        *,
        safe: bool = True,
        reserved: Container[str] = (),
        **arguments: Any,
    ) -> dict[str, Any]:
        """Call every plugin, our own first; `safe`: what is wrong may be left out."""
        found: dict[str, Any] = {}
        owner: dict[str, str] = {}
        everyone = getattr(self.manager.hook, hook).get_hookimpls()
        for implementation in sorted(everyone, key=lambda each: each.plugin_name not in CORE_PLUGINS):
            plugin = implementation.plugin_name
            fault = partial(PluginError, plugin=plugin, hook=hook)
            offered = {**arguments, "settings": settings.get(plugin, {})}
            try:
                with guarded_call(plugin, hook, own=plugin in CORE_PLUGINS):
                    answers = implementation.function(*(offered[name] for name in implementation.argnames))
                    named = _named(answers, kind, fault)
            except PluginError as problem:
                _leave_out(problem, safe=safe)
                continue
            for name, answer in named:
                if name in found or name in reserved:
                    taken_by = f"by plugin {owner[name]!r}" if name in owner else "by skysample itself"
                    clash = fault(f"the name {name!r} is already taken {taken_by}; rename one of them")
                    _leave_out(clash, safe=safe)
                    continue
                found[name], owner[name] = answer, plugin
        return found


def _leave_out(problem: PluginError, *, safe: bool) -> None:
    if not safe:
        raise problem
    warnings.warn(f"{problem}; it is left out", SkysampleWarning, stacklevel=4)


def _named(answers: Any, kind: Any, fault: partial[PluginError]) -> list[tuple[str, Any]]:
    """Check what a hook handed over: each with its name."""
    if not isinstance(answers, list | tuple):
        raise fault(f"returned {type(answers).__name__}, not a list")
    named = []
    for answer in answers:
        found = type(answer).__name__
        name = getattr(answer, "name", None)
        if isinstance(answer, type) or not isinstance(answer, kind) or not isinstance(name, str):
            raise fault(f"returned {found}, not a valid {kind.__name__} (see skysample.plugins.contracts)")
        if not name.strip() or "," in name or not name.isprintable():
            raise fault(f"returned a {found} named {name!r}; give it a name of one line, without a comma")
        named.append((name, answer))
    return named


def build_registry(extra: Iterable[tuple[str, object]] = (), *, installed: bool = True) -> Registry:
    """Load skysample's own plugins, those installed under the entry-point group `skysample`, and extra ones.

    Parameters
    ----------
    extra : iterable of (str, object)
        Names and plugins, registered last.
    installed : bool
        Whether to look for installed plugins.

    Returns
    -------
    Registry
        A plugin that cannot be loaded or registered is left out, recorded in `installed`, and named in a
        SkysampleWarning.
    """
    manager = pluggy.PluginManager(GROUP)
    manager.add_hookspecs(hookspecs)
    records = [
        _register(manager, Installed(name, "skysample", __version__), importlib.import_module(name))
        for name in CORE_PLUGINS
    ]
    for point in sorted(entry_points(group=GROUP), key=lambda each: each.name) if installed else ():
        distribution, version = (point.dist.name, point.dist.version) if point.dist else ("?", "?")
        found = Installed(point.name, distribution, version)
        try:
            plugin = point.load()
        except (Exception, SystemExit) as error:  # noqa: BLE001 - whatever its import does, the rest must work
            records.append(replace(found, problem=f"cannot be loaded ({_one_line(error)})"))
        else:
            records.append(_register(manager, found, plugin))
    records.extend(
        _register(manager, Installed(name, "given by the caller", ""), plugin) for name, plugin in extra
    )
    for record in records:
        if record.problem:
            warnings.warn(
                f"plugin {record.name!r} of {record.distribution} {record.version} {record.problem}; it is left out",
                SkysampleWarning,
                stacklevel=2,
            )
    return Registry(manager, tuple(records))


def _register(manager: pluggy.PluginManager, found: Installed, plugin: object) -> Installed:
    if manager.has_plugin(found.name):
        return replace(found, problem="has a name that another plugin has already")
    try:
        manager.register(plugin, found.name)
        manager.check_pending()
    except Exception as error:  # noqa: BLE001 - pluggy lets anything through, and may have registered half of it
        if manager.has_plugin(found.name):
            manager.unregister(name=found.name)
        return replace(found, problem=f"does not fit the hooks ({_one_line(error)})")
    hooks = tuple(each.name for each in manager.get_hookcallers(plugin) or () if each.has_spec())
    return replace(found, hooks=hooks, problem="" if hooks else "answers none of the hooks")


def _one_line(error: BaseException) -> str:
    """Type and message of an exception, on one line."""
    return " ".join(f"{type(error).__name__}: {error}".split())


@lru_cache(maxsize=1)
def default_registry() -> Registry:
    """Return the registry of everything installed, built once."""
    return build_registry()
