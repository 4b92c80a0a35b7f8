"""The pages name everything that the code offers, contradict none of it, and what they show runs."""

from __future__ import annotations

import ast
import doctest
import importlib
import inspect
import json
import re
import runpy
import shlex
import sys
import tomllib
import types
from dataclasses import fields, replace
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin

import msgspec
import numpy as np
import pytest
import typer.main
from astropy.time import Time

import skysample
from skysample import errors, plugins, testing
from skysample.alignment import cautions
from skysample.fitting.terms import SETS
from skysample.ordering.problem import OrderingProblem
from skysample.plugins import Mistake, Pointing, build_registry, hookspecs
from skysample.plugins.contracts import CAUSES, ROTATIONS
from skysample.runs.log import Log
from skysample.site import Mount, Site
from skysample.site.mount_axes import limits
from tests.conftest import make_site
from tests.simulated_nights import errors as axis_and_ordinary_errors
from tests.simulated_nights import simulated_run

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"
PAGES = sorted([ROOT / "README.md", ROOT / "DEVELOPERS.md", ROOT / "CHANGELOG.md", *DOCS.rglob("*.md")])
KINDS = ("fork", "german", "altaz")

FENCE = re.compile(r"^```([^\n`]*)\n(.*?)^```$", re.DOTALL | re.MULTILINE)
SPAN = re.compile(r"`([^`\n]+)`")
HEADING = re.compile(r"^(#+) (.*)$", re.MULTILINE)


def page(name):
    return (DOCS / name).read_text("utf-8")


def said(text):
    """Words that a text sets in code: in spans, and in fenced blocks."""
    code = [*SPAN.findall(FENCE.sub("", text)), *(block for _, block in FENCE.findall(text))]
    return {word for part in code for word in re.findall(r"-{0,2}\w[\w-]*", part)}


def section(text, title):
    """Everything under the first heading that says `title` in code, up to the next one of that rank."""
    found = [(len(m[1]), m.start(), m[2]) for m in HEADING.finditer(FENCE.sub(_blank, text))]
    for number, (rank, start, words) in enumerate(found):
        if f"`{title}`" in words:
            end = next((s for r, s, _ in found[number + 1 :] if r <= rank), len(text))
            return text[start:end]
    raise AssertionError(f"no heading says `{title}`")


def _blank(match):
    return re.sub(r"[^\n]", " ", match[0])


def rows(text):
    """Cells of the rows of every table in a text, its header among them."""
    lines = [line for line in text.splitlines() if line.startswith("|") and not set(line) <= set("|-: ")]
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines]


def keyed(text):
    """Rows of tables whose first cell is one code span, by what it says."""
    return {SPAN.fullmatch(row[0])[1]: row for row in rows(text) if SPAN.fullmatch(row[0])}


# The site file


def site_tables(struct=Site, name=""):
    """Name and fields of the site file's tables."""
    inner, own = [], []
    for field in msgspec.structs.fields(struct):
        kinds = [each for each in (field.type, *get_args(field.type)) if isinstance(each, type)]
        table = next((each for each in kinds if issubclass(each, msgspec.Struct)), None)
        if table is None:
            own.append(field)
        else:
            inner.append((table, f"{name}.{field.name}".lstrip(".")))
    yield name, own
    for table, place in inner:
        yield from site_tables(table, place)


def allowed(kind):
    """What a key's type lets through, as the page writes it; None where the page uses words."""
    if get_origin(kind) in (Union, types.UnionType):
        kinds = [each for each in get_args(kind) if each is not type(None)]
        return allowed(kinds[0]) if len(kinds) == 1 else None
    if get_origin(kind) is Literal:
        return ", ".join(f"`{word}`" for word in get_args(kind))
    if get_origin(kind) is tuple:
        return allowed(get_args(kind)[0])
    if get_origin(kind) is Annotated:
        meta = kind.__metadata__[0]
        return f"above {meta.gt:g}, to {meta.le:g}" if meta.gt is not None else f"{meta.ge:g} to {meta.le:g}"
    return {bool: "`true`, `false`", str: "text"}.get(kind)


def default_of(field):
    if field.default is msgspec.NODEFAULT and field.default_factory is msgspec.NODEFAULT:
        return "required"
    value = None if field.default is msgspec.NODEFAULT else field.default
    if value is None or value in ((), ""):
        return "none"
    if isinstance(value, bool):
        return f"`{str(value).lower()}`"
    if isinstance(value, str):
        return f"`{value}`"
    return f"[{', '.join(f'{each:g}' for each in value)}]" if isinstance(value, tuple) else f"{value:g}"


UNITS = {
    "_deg_s2": "deg/s²",
    "_deg_s": "deg/s",
    "_deg": "deg",
    "_hpa": "hPa",
    "_arcsec": "arcsec",
    "_mm": "mm",
    "_px": "pixels",
    "_m": "m",
    "_s": "s",
    "_c": "°C",
}


@pytest.mark.parametrize(
    ("table", "own"), [pytest.param(*each, id=each[0] or "top") for each in site_tables()]
)
def test_every_key_of_the_site_file_is_described_as_the_code_has_it(table, own):
    described = keyed(section(page("files.md"), f"[{table}]" if table else "site.toml"))
    if table:
        assert set(described) == {field.name for field in own}
    for field in own:
        _, unit, span, default, meaning = described[field.name]
        assert default == default_of(field), field.name
        assert allowed(field.type) in (None, span), field.name
        suffix = next((each for each in UNITS if field.name.endswith(each)), None)
        assert suffix is None or unit == UNITS[suffix], field.name
        assert meaning, field.name


def test_the_default_limits_of_the_axes_are_those_of_the_code():
    described = keyed(section(page("conventions.md"), "min_deg"))
    for kind in KINDS:
        low_high = np.degrees(limits(Mount(kind=kind)))
        assert described[kind][1:3] == [f"{low:g} to {high:g}" for low, high in low_high]


# The other files


@pytest.fixture(scope="module")
def small_plan():
    """A plan with every column that a plan can have."""
    from skysample.fitting import fit
    from skysample.planning import plan

    site = make_site("german", 48.0)
    run, _ = simulated_run(site, axis_and_ordinary_errors("german"), 15, noise_arcsec=1.0)
    found = plan(site, 5, Time(2461200.5, 0.3, format="jd", scale="utc"), "nearest", effort="quick")
    return replace(found, model=fit(run, site))


def test_every_column_that_a_run_is_read_from_is_described(monkeypatch):
    from skysample.runs import reading as run_reading

    asked = set()

    class Spied(run_reading.Columns):
        def present(self, name):
            asked.add(name)
            return super().present(name)

        def _cells(self, name, unit=None):
            asked.add(name)
            return super()._cells(name, unit)

        def only(self, mask):
            return Spied(self.table, self.index[mask], self.file)

    monkeypatch.setattr(run_reading, "Columns", Spied)
    from skysample.runs import Run, run_table

    solved = {
        "time": ["2026-06-14T20:00:00"],
        "solved_ra_deg": [200.0],
        "solved_dec_deg": [40.0],
        "pier": ["east"],
    }
    for more in (
        {"primary_deg": [1.0], "secondary_deg": [2.0]},
        {"target_ra_deg": [200.0], "target_dec_deg": [40.0]},
    ):
        Run.from_table(run_table(solved | more), make_site("german", 48.0))
    assert len(asked) > 10
    assert asked | {"time"} <= set(keyed(section(page("files.md"), "run.ecsv")))


def test_every_declaration_of_a_run_is_described():
    from skysample.runs.reading import DECLARATIONS

    described = keyed(section(page("files.md"), "run.ecsv"))
    for key, words in DECLARATIONS.items():
        assert SPAN.findall(described[key][1]) == list(words)


def test_every_column_that_a_session_logs_is_described():
    from skysample.planning.session import _COLUMNS

    assert set(_COLUMNS) <= set(keyed(section(page("files.md"), "run.ecsv")))


def test_every_column_and_declaration_of_a_tracking_log_is_described():
    from skysample.tracking_errors import log as tracking_log

    described = keyed(section(page("files.md"), "tracking.csv"))
    columns = {name for pair in tracking_log._ERRORS.values() for name in pair}
    assert set(described) == {
        "time",
        "elapsed_s",
        *columns,
        *tracking_log._DECLARATIONS,
        *tracking_log._NUMBERS,
    }
    for key, words in tracking_log._DECLARATIONS.items():
        assert SPAN.findall(described[key][1]) == list(words)


def test_every_column_and_declaration_of_a_plan_is_described(small_plan, tmp_path):
    from skysample.files.tables import read_table

    small_plan.write(tmp_path / "plan.ecsv")
    table = read_table(tmp_path / "plan.ecsv")
    assert {"primary_deg", "ra_icrs_deg"} <= set(table.colnames)
    described = set(keyed(section(page("files.md"), "plan.ecsv")))
    assert described == {*table.colnames, *table.meta}


def test_every_key_of_a_model_file_is_described(small_plan, tmp_path):
    small_plan.model.save(tmp_path / "model.json")
    saved = json.loads((tmp_path / "model.json").read_text("utf-8"))
    keys = {*saved, *saved["run"], *(key for term in saved["terms"] for key in term)}
    assert keys <= said(section(page("files.md"), "model.json"))


def test_formats_and_versions_are_those_that_the_code_writes():
    from skysample.fitting import model_file
    from skysample.planning.plan_table import PLAN_FORMAT, PLAN_VERSION
    from skysample.runs import RUN_FORMAT, RUN_VERSION

    described = keyed(section(page("files.md"), "format"))
    written = {
        RUN_FORMAT: RUN_VERSION,
        PLAN_FORMAT: PLAN_VERSION,
        model_file.MODEL_FORMAT: model_file.VERSION,
    }
    assert {name: described[name][1] for name in described} == {
        name: str(number) for name, number in written.items()
    }


# The command line

CONTRACT = {
    "demo": ("files", "before", "after", "final"),
    "plan": (
        *("points", "sky_sr", "covering_radius_deg", "min_separation_deg", "total_s", "slew_s", "dome_deg"),
        *("dome_moves", "bound_s", "gap", "rows"),
    ),
    "gather": ("points", "skipped"),
    "check": (
        *("trust", "causes", "cause", "sentence", "evidence", "fix", "moves_wrong_by_arcmin"),
        *("cautions", "worth", "wrong", "arcmin"),
    ),
    "fit": (
        *(
            "points",
            "used",
            "rejected",
            "row",
            "frame",
            "reason",
            "rms_arcsec",
            "loo_rms_arcsec",
            "sigma_arcsec",
        ),
        *(
            "terms",
            "name",
            "value_arcsec",
            "stderr_arcsec",
            "ci95_arcsec",
            "p",
            "verdict",
            "dof",
            "sky_rms_arcsec",
        ),
        "sky_p95_arcsec",
        *("structure", "statistic", "found", "sentence"),
    ),
    "history": ("models", "changes", "term", "change_arcsec", "stderr_arcsec", "moved", "axis", "sentences"),
    "polar": (
        *(
            "altitude_error_arcmin",
            "altitude_error_refracted_arcmin",
            "altitude_stderr_arcmin",
            "azimuth_error_arcmin",
        ),
        *(
            "azimuth_stderr_arcmin",
            "altitude_ci95_arcmin",
            "azimuth_ci95_arcmin",
            "dof",
            "total_error_arcmin",
        ),
        *(
            "tilt_north_arcmin",
            "tilt_east_arcmin",
            "tilt_north_stderr_arcmin",
            "tilt_east_stderr_arcmin",
            "moves",
        ),
        *("adjuster", "direction", "arcmin", "turns", "drift_arcsec_per_min", "field_rotation_deg_per_hour"),
        *("refraction_drift_arcsec_per_min", "trails", "enough_without_arcmin", "enough_with_arcmin"),
    ),
    "size": (
        *(
            "recommended",
            "table",
            "points",
            "sky_rms_arcsec",
            "sky_p95_arcsec",
            "detectable_arcsec",
            "minutes",
        ),
    ),
    "progress": (
        *("taken", "target_arcsec", "sigma_arcsec", "sky_rms_arcsec", "sky_rms_upper95_arcsec", "enough"),
        *("reachable", "more", "next_points", "point", "alt_deg", "az_deg"),
    ),
    "compare": (
        "before",
        "after",
        "within_limit",
        "adjusters",
        "terms",
        "verdict",
        "next_moves",
        "sentences",
    ),
    "tracking": (
        *("components", "rms_arcsec", "removed", "cause", "share", "drift_arcsec_per_min", "verdict"),
        *("periods", "practice_arcsec", "sentences"),
    ),
    "report": ("file",),
    "plugins": ("plugins",),
}
"""The keys that no release may take away."""


def commands():
    from skysample.cli.commands import app

    return typer.main.get_command(app).commands


def literal_keys(function):
    """Keys of every dict that a function spells out, and of every value that it reads by `values`."""
    for node in ast.walk(ast.parse(inspect.cleandoc("\n" + inspect.getsource(function)))):
        if isinstance(node, ast.Dict):
            yield from (key.value for key in node.keys if isinstance(key, ast.Constant))
        elif isinstance(node, ast.Call) and getattr(node.func, "id", "") == "values":
            yield from (key.partition("=")[0] for key in ast.literal_eval(node.args[1]).split())


def json_keys(command):
    """Keys of a command's JSON object, and of what lies in it."""
    from skysample.cli.demo import Story

    if command == "demo":
        return set(literal_keys(Story.answer.fget))
    module = importlib.import_module(f"skysample.cli.{command}")
    return {
        key
        for name, function in vars(module).items()
        if name.endswith("_json") and function.__module__ == module.__name__
        for key in literal_keys(function)
    }


def test_the_contract_names_every_command():
    assert set(commands()) == set(CONTRACT)


@pytest.mark.parametrize("name", CONTRACT)
def test_every_key_of_a_commands_json_is_described(name):
    printed = json_keys(name)
    assert set(CONTRACT[name]) <= printed
    assert printed <= said(section(page("commands.md"), name))


def test_every_key_of_a_star_is_described():
    from skysample.cli import polar

    parts = (polar._star_json, polar._command_json, polar._step_json)
    printed = {key for part in parts for key in literal_keys(part)}
    assert len(printed) > 20
    assert printed <= said(section(page("commands.md"), "polar"))


@pytest.mark.parametrize("name", CONTRACT)
def test_every_argument_and_option_of_a_command_is_described_with_its_default(name):
    text = section(page("commands.md"), name)
    described = {key: row for key, row in keyed(text).items() if key.startswith("--")}
    options = {}
    for parameter in commands()[name].params:
        if parameter.param_type_name == "argument":
            assert parameter.metavar in text.split("\n\n")[1], parameter.name
        elif parameter.name not in ("help", "as_json"):
            options[parameter.opts[0]] = parameter
    assert set(described) == set(options)
    for key, parameter in options.items():
        default = parameter.default
        shown = (
            "required" if parameter.required else "none" if default in (None, "", [], ()) else f"`{default}`"
        )
        assert described[key][2] == shown, key


def test_every_cause_is_described_where_check_is():
    described = {
        cause for row in rows(section(page("commands.md"), "check")) for cause in SPAN.findall(row[0])
    }
    assert set(CAUSES) <= described


def test_json_and_help_are_options_of_every_command():
    assert {"--json", "--help", "--version"} <= said(page("commands.md"))
    for command in commands().values():
        assert "--json" in {option for parameter in command.params for option in parameter.opts}


def test_exit_codes_are_those_of_the_code():
    module = importlib.import_module("skysample.cli.main")
    described = keyed(section(page("commands.md"), "$?"))
    assert set(described) == {
        str(code) for code in (module.DONE, module.NO, module.BAD_INPUT, module.INTERNAL_ERROR)
    }


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_command_lines_on_the_pages_name_commands_and_options_that_exist(path):
    known = commands()
    for language, block in FENCE.findall(path.read_text("utf-8")):
        if language not in ("sh", "console", "bash", "shell"):
            continue
        for line in block.replace("\\\n", " ").splitlines():
            for part in re.split(r"&&|\|\||;|(?<!\|)\|(?!\|)", line.partition("#")[0]):
                said_to_run = part.strip().removeprefix("$ ").removeprefix("uv run ")
                if not said_to_run.startswith("skysample ") or (language == "console" and "$ " not in line):
                    continue
                words = shlex.split(said_to_run)
                if words[1] in ("--version", "--help"):
                    continue
                options = {"--help", *(opt for parameter in known[words[1]].params for opt in parameter.opts)}
                assert {word for word in words if word.startswith("--")} <= options, line


# Names


def test_every_hook_and_what_it_hands_over_is_described():
    spoken = said(page("plugins.md"))
    hooks = [
        name for name, value in vars(hookspecs).items() if name.startswith("skysample_") and callable(value)
    ]
    assert len(hooks) == 4
    for name in hooks:
        assert f"`{name}`" in page("plugins.md")
        assert set(inspect.signature(getattr(hookspecs, name)).parameters) <= spoken
    assert {
        field.name for record in (Pointing, OrderingProblem, Mistake, Log) for field in fields(record)
    } <= spoken
    assert set(testing.__all__) <= spoken


def test_every_term_is_described_with_its_sign():
    described = keyed(page("conventions.md"))
    core = build_registry(installed=False)
    for kind in KINDS:
        in_sets = {name for each in SETS.values() for name in each[kind]}
        names = {*ROTATIONS[kind], *core.terms(Mount(kind=kind)), *in_sets}
        for name in names:
            assert len(described[name]) == 3, name


def test_the_sets_of_terms_are_those_of_the_code():
    described = keyed(section(page("conventions.md"), "--terms"))
    for name, of_kind in SETS.items():
        for cell, kind in zip(described[name][1:], KINDS, strict=True):
            assert (*ROTATIONS[kind], *SPAN.findall(cell)) == of_kind[kind]


def test_every_obstruction_and_ordering_is_described():
    core = build_registry(installed=False)
    site = make_site(dome={"radius_m": 2.0, "slit_width_m": 1.0})
    for name in (*core.obstructions(site), *core.orderings(site)):
        assert f"`{name}`" in page("numerics.md"), name


def test_every_effort_is_described():
    from skysample.sampling.even import EFFORTS

    for name in EFFORTS:
        assert f"`{name}`" in page("numerics.md"), name


def test_every_public_name_is_described():
    assert set(skysample.__all__) <= said(page("library.md"))


def test_every_public_name_hook_and_check_is_listed_on_a_reference_page():
    listed = set()
    for each in sorted((DOCS / "reference").glob("*.md")):
        listed |= set(re.findall(r"^   (skysample\.[\w.]+)$", each.read_text("utf-8"), re.MULTILINE))
    offered = {f"skysample.{name}" for name in skysample.__all__ if name != "__version__"}
    for module in (plugins, testing):
        offered |= {f"{module.__name__}.{name}" for name in set(module.__all__) - set(skysample.__all__)}
    offered |= {f"{hookspecs.__name__}.{name}" for name in vars(hookspecs) if name.startswith("skysample_")}
    assert offered <= listed
    for name in listed:
        home, _, own = name.rpartition(".")
        assert hasattr(importlib.import_module(home), own), name


def test_every_exception_is_described_with_what_it_carries():
    described = keyed(page("library.md"))
    for name in errors.__all__:
        own = vars(getattr(errors, name)).get("__init__")
        carried = set(inspect.signature(own).parameters) - {"self", "message"} if own else set()
        assert carried <= said(" | ".join(described[name])), name


def test_the_cautions_stand_word_for_word():
    text = " ".join(page("safety.md").split())
    for sentence in (
        cautions.FINISH,
        *cautions.WEDGE,
        cautions.WEDGE_IN_BRIEF,
        *cautions.STAR,
        *cautions.MOVING,
    ):
        assert sentence in text


def test_every_caution_of_the_module_is_checked():
    assert set(cautions.__all__) == {"FINISH", "MOVING", "STAR", "WEDGE", "WEDGE_IN_BRIEF"}


# The package's front door


def test_public_names_are_sorted_and_each_has_a_home():
    assert skysample.__all__ == sorted(skysample.__all__)
    assert set(skysample.__all__) == {*skysample._HOMES, "__version__"}


@pytest.mark.parametrize("name", sorted(skysample._HOMES))
def test_a_public_name_is_what_its_home_defines_and_exports(name):
    home = importlib.import_module(f"skysample.{skysample._HOMES[name]}")
    assert getattr(skysample, name) is getattr(home, name)
    assert name in home.__all__
    assert inspect.getdoc(getattr(skysample, name))


def test_type_checkers_see_the_same_names_from_the_same_homes():
    tree = ast.parse(Path(skysample.__file__).read_text("utf-8"))
    block = next(
        node
        for node in tree.body
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING"
    )
    imported = {
        alias.name: node.module.removeprefix("skysample.")
        for node in block.body
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    assert imported == skysample._HOMES


def test_nothing_else_is_offered_by_accident():
    assert set(skysample.__all__) <= set(dir(skysample))
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = skysample.no_such_name


def test_the_version_has_its_entry_in_the_changelog():
    changes = (ROOT / "CHANGELOG.md").read_text("utf-8")
    assert re.search(rf"^## {re.escape(skysample.__version__)}\b", changes, re.MULTILINE)


# What the pages show


def sessions(path):
    return [
        (text[: match.start()].count("\n") + 1, match[2])
        for text in [path.read_text("utf-8")]
        for match in FENCE.finditer(text)
        if ">>> " in match[2]
    ]


@pytest.mark.parametrize("path", [each for each in PAGES if sessions(each)], ids=lambda path: path.name)
def test_what_a_page_shows_runs_and_prints_what_it_says(path, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names: dict[str, Any] = {"__name__": "__main__"}
    for line, block in sessions(path):
        example = doctest.DocTestParser().get_doctest(block, {}, path.name, str(path), line)
        example.globs = names
        said_wrong: list[str] = []
        runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE)
        runner.run(example, out=said_wrong.append, clear_globs=False)
        assert not said_wrong, "".join(said_wrong)


def test_the_library_page_shows_the_usual_path():
    shown = " ".join(block for _, block in sessions(DOCS / "library.md"))
    usual = (
        "load_site",
        "usable_sky",
        "sample",
        "plan",
        "Session",
        "read_run",
        "fit",
        "score",
        "polar",
        "compare",
    )
    for name in usual:
        assert re.search(rf"\bss\.{name}\(", shown), name


def test_the_embedding_page_shows_a_night_from_plan_to_command():
    shown = " ".join(block for _, block in sessions(DOCS / "embedding.md"))
    steps = ("ss.plan(", ".next()", ".record(", ".skip(", ".resume(", "ss.progress(", "ss.fit(", "ss.score(")
    for step in (*steps, ".save(", "ss.load_model(", "ss.observed_place(", ".to_axes("):
        assert step in shown, step


def test_what_to_do_about_every_error_stands_on_the_embedding_page():
    assert set(errors.__all__) <= set(keyed(page("embedding.md")))


def test_figures_of_the_ordering_page_are_what_its_benchmark_prints(monkeypatch, capsys):
    block = next(block for _, block in FENCE.findall(page("design/lazy-dome.md")) if "annealed" in block)
    script = str(ROOT / "benchmarks" / "ordering_reference.py")
    monkeypatch.setattr(sys, "argv", [script, "15"])
    runpy.run_path(script, run_name="__main__")
    without_time = [line.split()[:-1] for line in capsys.readouterr().out.splitlines()]
    assert len(without_time) > 2
    assert without_time == [line.split() for line in block.splitlines()][: len(without_time)]


@pytest.mark.parametrize("name", ["files.md", "how-to/describe-your-site.md"])
def test_a_site_file_on_a_page_is_a_site(name):
    from skysample.site import Site

    blocks = [block for language, block in FENCE.findall(page(name)) if language == "toml"]
    assert blocks
    assert all(isinstance(Site.from_dict(tomllib.loads(block)), Site) for block in blocks)


def anchor(heading):
    return re.sub(r"[^\w\- ]", "", heading.replace("`", "").lower()).strip().replace(" ", "-")


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_internal_links_lead_somewhere(path):
    text = FENCE.sub("", path.read_text("utf-8"))
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        if re.match(r"\w+:", target):
            continue
        file, _, place = target.partition("#")
        there = (path.parent / file).resolve() if file else path
        assert there.exists(), target
        assert there.is_relative_to(ROOT), target
        if place:
            headings = HEADING.findall(FENCE.sub(_blank, there.read_text("utf-8")))
            assert place in {anchor(words) for _, words in headings}, target


def test_every_page_can_be_reached_from_the_index():
    linked = {(DOCS / target).resolve() for target in re.findall(r"\]\(([^)#\s]+)", page("index.md"))}
    assert set(DOCS.rglob("*.md")) - {DOCS / "index.md"} <= linked


@pytest.mark.parametrize("path", PAGES, ids=lambda path: path.name)
def test_tests_modules_and_benchmarks_that_a_page_names_exist(path):
    text = path.read_text("utf-8")
    for file, name in re.findall(r"`([\w/-]+\.py)(?:::(\w+))?`", text):
        there = next((place for place in (ROOT / file, ROOT / "skysample" / file) if place.exists()), None)
        assert there is not None, file
        if name:
            assert re.search(rf"^def {name}\(", there.read_text("utf-8"), re.MULTILINE), name
