from __future__ import annotations

import ast
import importlib
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

import skysample

PACKAGE = Path(skysample.__file__).parent

LAYERS = [
    {"errors", "geometry", "listeners", "version"},
    {"astrometry"},
    {"files"},
    {"site"},
    {"plugins"},
    {"runs", "sky", "ordering", "testing"},
    {"fitting"},
    {"sampling", "scoring"},
    {"planning", "alignment"},
    {"sizing", "tracking_errors", "trust"},
    {"plots"},
    {"report"},
    {"live"},
    {"cli"},
]
"""Low to high; a module imports from its own entry and from lower layers. Some entries are still to come."""

FLOOR = {entry: floor for floor, layer in enumerate(LAYERS) for entry in layer}

MAY_IMPORT_BY_NAME = {"plugins.registry", ""}
"""The list of core plugins, and the public names."""


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix("__init__").strip(".")


MODULES = {module_name(path): path for path in PACKAGE.rglob("*.py")}


def statements(path):
    """Every node that runs: all but what stands under TYPE_CHECKING."""
    nodes = [ast.parse(path.read_text("utf-8"))]
    while nodes:
        node = nodes.pop()
        if not (isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"):
            yield node
            nodes.extend(ast.iter_child_nodes(node))


def imported(path):
    """Modules of skysample that a module imports, also inside functions."""
    for node in statements(path):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: import by whole paths"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        for name in names:
            if name.split(".")[0] == "skysample":
                inner = name.removeprefix("skysample").lstrip(".")
                yield inner if inner in MODULES else inner.rpartition(".")[0]


IMPORTS = {name: set(imported(path)) - {name} for name, path in MODULES.items()}


HEAVY = {
    "astropy.coordinates",
    "astropy.table",
    "astropy.utils",
    "jinja2",
    "matplotlib",
    "scipy.optimize",
    "scipy.spatial",
    "scipy.stats",
}


def loaded_at_once(path):
    """Modules that are imported with this one, not later in a function."""
    nodes = list(ast.parse(path.read_text("utf-8")).body)
    while nodes:
        node = nodes.pop()
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield node.module
            yield from (f"{node.module}.{alias.name}" for alias in node.names)
        elif (
            not isinstance(node, ast.FunctionDef)
            and getattr(getattr(node, "test", None), "id", "") != "TYPE_CHECKING"
        ):
            nodes.extend(ast.iter_child_nodes(node))


@pytest.mark.parametrize("module", sorted(name for name in MODULES if not name.startswith("testing")))
def test_heavy_libraries_are_imported_in_the_function_that_needs_them(module):
    loaded = {
        ".".join(name.split(".")[:depth]) for name in loaded_at_once(MODULES[module]) for depth in (1, 2)
    }
    assert not loaded & HEAVY


def entry(module: str) -> str:
    return module.split(".", maxsplit=1)[0]


def test_every_entry_has_its_layer():
    assert {entry(name) for name in MODULES} - {"", "__main__"} <= set(FLOOR)


@pytest.mark.parametrize("module", sorted(set(MODULES) - {"", "__main__"}))
def test_a_module_imports_from_its_own_entry_or_a_lower_layer(module):
    for other in IMPORTS[module]:
        assert other, f"{module} imports the public names, which are above it"
        same = entry(other) == entry(module)
        assert same or FLOOR[entry(other)] < FLOOR[entry(module)], f"{module} imports {other}"


def test_no_modules_import_each_other_in_a_circle():
    try:
        TopologicalSorter(IMPORTS).prepare()
    except CycleError as error:
        pytest.fail(" -> ".join(error.args[1]))


def test_modules_are_imported_by_name_in_two_places():
    by_name = {
        name
        for name, path in MODULES.items()
        for node in statements(path)
        if {getattr(node, "id", ""), getattr(node, "attr", "")}
        & {"import_module", "__import__", "resolve_name"}
    }
    assert by_name == MAY_IMPORT_BY_NAME


def test_no_module_has_the_name_of_something_public():
    assert not {entry(name) for name in MODULES} & set(skysample.__all__)


EARLIER_NAMES = [
    "adjustment.Asked",
    "camera_view.CameraView",
    "fitting.model.RunSummary",
    "fitting.model.WeakPair",
    "gathering.HeaderKeywords",
    "geometry.direction",
    "leftovers.Finding",
    "moon_place.moon_direction",
    "movements.axis.AxisMovement",
    "movements.history",
    "movements.terms.Change",
    "ordering.problem.OrderingProblem",
    "ordering.schedules.Schedule",
    "plugins.build_registry",
    "resuming.read_plan",
    "resuming.read_progress",
    "resuming.resume",
    "run_progress.Progress",
    "run_progress.read_progress",
    "sampling.grid.InformedGain",
    "selection.forward.Selected",
    "selection.select_terms",
    "selection.verdicts.Candidate",
    "session.PlannedPoint",
    "site.site_from_dict",
    "sizing.needed.DesignNeeded",
    "sky.Loss",
    "star_steps.StarStep",
    "terms.axis_slip",
    "tracking_drift.Trail",
    "tracking_quality.ComponentTracking",
    "wedge.Move",
    "wedge.adjuster_angles",
]


@pytest.mark.parametrize("name", EARLIER_NAMES)
def test_what_was_documented_elsewhere_still_imports(name):
    module, _, attribute = name.rpartition(".")
    value = getattr(importlib.import_module(f"skysample.{module}"), attribute)
    assert value.__module__.startswith("skysample.")
    assert value.__module__.removeprefix("skysample.") in MODULES


def test_earlier_modules_are_those_of_the_table_and_nothing_else():
    assert {name.rpartition(".")[0] for name in EARLIER_NAMES} - set(MODULES) == {
        old for old in skysample._MOVED if ":" not in old
    }
    with pytest.raises(AttributeError):
        _ = importlib.import_module("skysample.wedge").no_such_name
