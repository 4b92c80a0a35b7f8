"""What the build adds to Sphinx: the commands as `--help` tells them, and a look at the pages once they are built.

A complaint here is a warning, so that the strict build fails.
"""

from __future__ import annotations

import re
from functools import cache
from html import unescape
from importlib import import_module
from pathlib import Path
from typing import TYPE_CHECKING

import msgspec
from sphinx.util.logging import getLogger

import skysample
from skysample import plugins, testing
from skysample.plugins import hookspecs

if TYPE_CHECKING:
    from collections.abc import Iterator

    from sphinx.application import Sphinx

REFERENCE = Path(__file__).resolve().parent / "reference"
COMMAND_LINES = REFERENCE / "generated" / "command-line.txt"

_LISTED = re.compile(r"^   (skysample\.[\w.]+)$", re.MULTILINE)
_FETCHED = re.compile(
    r"<(?!link[^>]*rel=.canonical)(?:script|link|img|iframe|source|embed|object|video|audio)\b[^>]*"
    r"\b(?:src|href|data|srcset)=.(?:https?:)?//[^>]*>"
)
_FETCHED_BY_STYLE = re.compile(r"(?:@import\s+(?:url\()?|url\()\s*[\"']?(?:https?:)?//[^)\s;]*")

_complain = getLogger(__name__).warning


@cache
def listed() -> dict[str, str]:
    """Full names on the reference pages, by their last part."""
    pages = (page.read_text("utf-8") for page in sorted(REFERENCE.glob("*.md")))
    return {name.rpartition(".")[2]: name for text in pages for name in _LISTED.findall(text)}


def forget_old_names(_app: Sphinx, _config: object) -> None:
    """Remove what an earlier build wrote for names that are listed no more."""
    for stub in COMMAND_LINES.parent.glob("*.rst"):
        if stub.stem not in listed().values():
            stub.unlink()


def write_command_lines(_app: Sphinx) -> None:
    """Write what every command's `--help` says, for the page that includes it."""
    from typer.cli import get_docs_for_click
    from typer.main import get_command

    from skysample.cli.commands import app

    command = get_command(app)
    with command.make_context("skysample", [], resilient_parsing=True) as context:
        text = get_docs_for_click(obj=command, ctx=context, name="skysample", indent=1)
    # The list of commands cuts its sentences short; the headings are a list of them too.
    text = re.sub(r"^\*\*Commands\*\*:\n\n(?:\* .*\n)+\n", "", text, flags=re.MULTILINE)
    COMMAND_LINES.parent.mkdir(exist_ok=True)
    COMMAND_LINES.write_text(text, "utf-8")


def check(app: Sphinx, exception: Exception | None) -> None:
    """Complain about what the built pages lack, and about what a browser would fetch for them."""
    if exception is not None or app.builder.format != "html":
        return
    described = set(app.env.domains["py"].objects)
    for name in sorted(_public() - described):
        _complain("%s is not in the reference: add it to a page of docs/reference/", name)
    for page, words in (("docs/reference/command-line", _command_words()), ("docs/files", _site_keys())):
        code = _code(Path(app.outdir, f"{page}.html"))
        for word in sorted({word for word in words if word not in code}):
            _complain("%s is not on the built page %s", word, page)
    for path in sorted(Path(app.outdir).rglob("*.html")):
        for fetched in _FETCHED.findall(path.read_text("utf-8")):
            _complain("%s makes a browser fetch %s", path.name, fetched)
    for path in sorted(Path(app.outdir).rglob("*.css")):
        for fetched in _FETCHED_BY_STYLE.findall(path.read_text("utf-8")):
            _complain("%s makes a browser fetch %s", path.name, fetched)


def _public() -> set[str]:
    hooks = [name for name in vars(hookspecs) if name.startswith("skysample_")]
    return {
        *(f"skysample.{name}" for name in skysample.__all__ if name != "__version__"),
        *(f"skysample.plugins.{name}" for name in set(plugins.__all__) - set(skysample.__all__)),
        *(f"skysample.testing.{name}" for name in testing.__all__),
        *(f"skysample.plugins.hookspecs.{name}" for name in hooks),
    }


def _command_words() -> Iterator[str]:
    from typer.main import get_command

    from skysample.cli.commands import app

    for name, command in get_command(app).commands.items():
        yield f"skysample {name}"
        for parameter in command.params:
            if parameter.param_type_name == "option":
                yield from parameter.opts


def _site_keys(struct: type[msgspec.Struct] | None = None) -> Iterator[str]:
    for field in msgspec.structs.fields(struct or import_module("skysample.site").Site):
        kinds = [
            each for each in (field.type, *getattr(field.type, "__args__", ())) if isinstance(each, type)
        ]
        table = next((each for each in kinds if issubclass(each, msgspec.Struct)), None)
        if table is None:
            yield field.name
        else:
            yield from _site_keys(table)


def _code(path: Path) -> str:
    """Everything that a built page sets in code, as one text."""
    parts = re.findall(r"<code\b[^>]*>(.*?)</code>", path.read_text("utf-8"), re.DOTALL)
    return "\n".join(unescape(re.sub(r"<[^>]+>", "", part)) for part in parts)
