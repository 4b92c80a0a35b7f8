"""Run every command that the tutorial and the how-to pages show, and put what it prints under it.

`uv run python docs/refresh_pages.py`. The commands run one after the other, in the folder that `skysample demo --out
night` has filled; so they do in the test that holds the pages against the program.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.cli.main import run_command

if TYPE_CHECKING:
    from collections.abc import Iterator

DOCS = Path(__file__).resolve().parent
PAGES = (DOCS / "tutorial.md", *sorted((DOCS / "how-to").glob("*.md")))

_BLOCK = re.compile(r"^```console\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_PROMPT = re.compile(r"^\$ ((?:.*\\\n)*.*)\n", re.MULTILINE)


def printed(command: str) -> str:
    """What a terminal shows after a command line, which may hand on to others by `|`; run in the present folder."""
    first, _, rest = command.replace("\\\n", " ").partition(" | ")
    shown = io.StringIO()
    if first.startswith("skysample "):
        with contextlib.redirect_stdout(shown), contextlib.redirect_stderr(shown):
            code = run_command(shlex.split(first)[1:])
        if code not in {0, 1}:
            raise SystemExit(f"{first}: ended with {code}: {shown.getvalue()}")
    else:
        rest = command
    if not rest:
        return shown.getvalue()
    asked = subprocess.run(  # noqa: S602 - a line of our own pages
        rest, shell=True, check=True, input=shown.getvalue(), capture_output=True, encoding="utf-8"
    )
    return asked.stdout


def commands(text: str) -> Iterator[tuple[str, str]]:
    """Every command line of a page, with what the page shows under it."""
    for block in _BLOCK.findall(text):
        _, *parts = _PROMPT.split(block)
        yield from zip(parts[::2], parts[1::2], strict=True)


def refreshed(text: str) -> str:
    """Give a page with every command run again."""
    return _BLOCK.sub(lambda block: f"```console\n{_again(block[1])}```", text)


def _again(block: str) -> str:
    return "".join(f"$ {match[1]}\n{printed(match[1])}" for match in _PROMPT.finditer(block))


def main() -> None:
    """Run the demo, then every page on its files."""
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        printed("skysample demo --out night")
        for page in PAGES:
            page.write_text(refreshed(page.read_text("utf-8")), "utf-8")


if __name__ == "__main__":
    main()
