"""How the package is laid out: entries, floors of imports, imports between entries, code lines, and five flows.

A flow is what one use of the library passes through: every module of skysample in which a function is called, in the
order of the first call.
"""

from __future__ import annotations

import ast
import inspect
import io
import sys
import tempfile
import tokenize
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from astropy.time import Time

import skysample as ss

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from types import FrameType

PACKAGE = Path(ss.__file__).parent
DOCUMENTED = (ast.Module, ast.ClassDef, ast.FunctionDef, ast.AsyncFunctionDef)


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix("__init__").strip(".")


def code_lines(path: Path) -> int:
    """Lines that hold code: no blanks, comments or docstrings."""
    text = path.read_text("utf-8")
    docstrings: set[int] = set()
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, DOCUMENTED) and ast.get_docstring(node, clean=False) is not None:
            docstrings.update(range(node.body[0].lineno, (node.body[0].end_lineno or 0) + 1))
    nothing = {
        tokenize.COMMENT,
        tokenize.NL,
        tokenize.NEWLINE,
        tokenize.INDENT,
        tokenize.DEDENT,
        tokenize.ENDMARKER,
    }
    lines: set[int] = set()
    for token in tokenize.generate_tokens(io.StringIO(text).readline):
        if token.type not in nothing:
            lines.update(range(token.start[0], token.end[0] + 1))
    return len(lines - docstrings)


def imports(path: Path, modules: set[str]) -> Iterator[str]:
    """Modules of skysample that a module imports, inside functions too, but not for type checkers alone."""
    nodes: list[ast.AST] = [ast.parse(path.read_text("utf-8"))]
    while nodes:
        node = nodes.pop()
        if isinstance(node, ast.If) and getattr(node.test, "id", "") == "TYPE_CHECKING":
            continue
        nodes.extend(ast.iter_child_nodes(node))
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "skysample":
            for alias in node.names:
                inner = f"{node.module}.{alias.name}".removeprefix("skysample").lstrip(".")
                yield inner if inner in modules else inner.rpartition(".")[0]


def print_layout() -> None:
    paths = {module_name(path): path for path in PACKAGE.rglob("*.py")}
    arrows = {
        (name.split(".")[0], other.split(".")[0])
        for name, path in paths.items()
        for other in imports(path, set(paths))
    }
    arrows = {(upper, lower) for upper, lower in arrows if upper != lower and upper and lower}
    entries = {name.split(".")[0] for name in paths} - {""}
    floors = dict.fromkeys(entries, 1)
    for _ in entries:
        for upper, lower in arrows:
            floors[upper] = max(floors[upper], min(floors[lower] + 1, len(entries)))
    total = Counter()
    for name, path in paths.items():
        total[name.split(".")[0] or "__init__"] += code_lines(path)
    print(f"entries {len(entries)}, modules {len(paths)}, floors {max(floors.values())}")
    print(f"imports between entries: {len(arrows)}; code lines: {sum(total.values())}")
    for entry, lines in total.most_common():
        print(f"  {lines:6d}  {entry}")


def passed_through(use: Callable[[], object]) -> list[str]:
    """Modules of skysample in which a use calls functions, in the order of the calls, repeats in a row once."""
    passed: list[str] = []
    inside = str(PACKAGE)

    def note(frame: FrameType, event: str, _argument: object) -> None:
        file = frame.f_code.co_filename
        if event == "call" and file.startswith(inside) and frame.f_code.co_flags & inspect.CO_OPTIMIZED:
            name = module_name(Path(file))
            if not passed or passed[-1] != name:
                passed.append(name)

    sys.setprofile(note)
    try:
        use()
    finally:
        sys.setprofile(None)
    return passed


def flows(folder: Path) -> dict[str, Callable[[], object]]:
    from nights import random_night
    from sklearn.linear_model import LinearRegression

    night = random_night("fork", "north", 30, np.random.default_rng(1))
    model = ss.fit(night.run, night.site)
    plan = ss.plan(night.site, 10)
    plan.write(folder / "plan.ecsv")
    x = np.random.default_rng(2).normal(size=(30, 3))
    y = x @ [1.0, 2.0, 3.0]

    def record_and_resume() -> None:
        session = ss.Session(plan, folder / "run.ecsv")
        point = session.next()
        assert point is not None
        session.skip(Time("2026-03-02T21:00:00"))
        session.resume(Time("2026-03-02T22:00:00"))

    return {
        "plan": lambda: ss.plan(night.site, 15),
        "polar": lambda: ss.polar(model, night.site),
        "score of a scikit-learn model": lambda: ss.score(LinearRegression().fit(x, y), x, y),
        "fit --select": lambda: ss.select_terms(night.run, night.site),
        "record and resume": record_and_resume,
    }


def main() -> None:
    print_layout()
    for name in ss.__all__:
        getattr(ss, name)
    with tempfile.TemporaryDirectory() as folder:
        for name, use in flows(Path(folder)).items():
            passed = passed_through(use)
            rooms = list(dict.fromkeys(each.split(".")[0] for each in passed))
            print(f"{name}: {len(set(passed))} modules in {len(rooms)} entries: {', '.join(rooms)}")
            print(f"    {', '.join(dict.fromkeys(passed))}")


if __name__ == "__main__":
    main()
