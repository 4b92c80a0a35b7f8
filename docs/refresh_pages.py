"""Run every command that the tutorial and the how-to pages show, and put its output and its pictures into them.

`uv run python docs/refresh_pages.py`. The commands run one after the other in a folder that `skysample demo --out
night` has filled, as they do in the test that compares the pages with the program. The picture of the record needs
Chromium; without it the old one stays.
"""

from __future__ import annotations

import contextlib
import io
import re
import shlex
import shutil
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from PIL import Image
from PIL.PngImagePlugin import PngInfo

from skysample.cli.main import run_command

if TYPE_CHECKING:
    from collections.abc import Iterator

DOCS = Path(__file__).resolve().parent
README = DOCS.parent / "README.md"
PAGES = (DOCS / "tutorial.md", *sorted((DOCS / "how-to").glob("*.md")))
PICTURES = ("sky.svg", "size.svg", "night/residuals.svg")
RECORD = "record.png"

_BLOCK = re.compile(r"^(?:<!-- shown: ([^\n]*) -->\n)?```console\n(.*?)^```$", re.DOTALL | re.MULTILINE)
_PROMPT = re.compile(r"^\$ ((?:.*\\\n)*.*)\n", re.MULTILINE)
_PART = re.compile(r'(\d+) from "([^"]*)"')
_SAID = re.compile(r"<(title|desc)>(.*?)</\1>", re.DOTALL)
_SHOWN = re.compile(r'<ul class="short">.*?</ul>|<section id="(?:site|instrument)">.*?</section>', re.DOTALL)


def printed(command: str, parts: str = "") -> str:
    """Run a command line in the present folder and return what a terminal shows.

    Parameters
    ----------
    command : str
        May pipe into other programs.
    parts : str
        Which lines to keep, as in `4 from "Stand", 7 from "Turn"`; all of them if empty.

    Returns
    -------
    str
    """
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
        return _excerpt(shown.getvalue(), parts)
    piped = subprocess.run(  # noqa: S602 - a line of our own pages
        rest, shell=True, check=True, input=shown.getvalue(), capture_output=True, encoding="utf-8"
    )
    return _excerpt(piped.stdout, parts)


def _excerpt(text: str, parts: str) -> str:
    if not parts:
        return text
    lines, kept, done = text.splitlines(), [], 0
    for count, words in _PART.findall(parts):
        start = next((n for n in range(done, len(lines)) if lines[n].lstrip().startswith(words)), None)
        if start is None:
            raise SystemExit(f'no line starts with "{words}"; correct the mark <!-- shown: {parts} -->')
        kept += [*_gap(start - done), *lines[start : start + int(count)]]
        done = start + int(count)
    return "\n".join([*kept, *_gap(len(lines) - done)]) + "\n"


def _gap(lines: int) -> list[str]:
    return [f"[{lines} more lines]"] if lines > 0 else []


def commands(text: str) -> Iterator[tuple[str, str, str]]:
    """Yield every command line of a page, which parts of its output the page shows, and what stands under it."""
    for parts, block in _BLOCK.findall(text):
        _, *pieces = _PROMPT.split(block)
        for command, shown in zip(pieces[::2], pieces[1::2], strict=True):
            yield command, parts, shown


def refresh(page: Path) -> None:
    """Run a page's commands in the present folder and write what they print under them."""
    page.write_text(_BLOCK.sub(_again, page.read_text("utf-8")), "utf-8")


def _again(match: re.Match[str]) -> str:
    parts, block = match[1] or "", match[2]
    mark = f"<!-- shown: {parts} -->\n" if parts else ""
    shown = "".join(f"$ {each[1]}\n{printed(each[1], parts)}" for each in _PROMPT.finditer(block))
    return f"{mark}```console\n{shown}```"


def drawn(path: Path) -> str:
    """Title and description of a chart, which say its numbers."""
    return "\n".join(text for _, text in _SAID.findall(path.read_text("utf-8")))


def recorded(path: Path) -> str:
    """Text of the parts of a record that its picture shows."""
    return " ".join(re.sub(r"<[^>]+>", " ", " ".join(_SHOWN.findall(path.read_text("utf-8")))).split())


def photograph(record: Path, picture: Path) -> None:
    """Take a picture of a record's first page by Chromium; the picture carries the text of what it shows."""
    chromium = shutil.which("chromium")
    if chromium is None:
        print("no Chromium: the picture of the record stays as it was")  # noqa: T201 - a script
        return
    shot = picture.with_suffix(".shot.png").name
    window = ("--window-size=900,1165", "--hide-scrollbars")
    subprocess.run(  # noqa: S603 - a browser on a page of our own
        [
            chromium,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            *window,
            f"--screenshot={shot}",
            record.resolve().as_uri(),
        ],
        check=True,
        capture_output=True,
    )
    said = PngInfo()
    said.add_text("Description", recorded(record))
    with Image.open(shot) as image:
        image.convert("P", palette=Image.Palette.ADAPTIVE, colors=32).save(
            picture, optimize=True, pnginfo=said
        )
    Path(shot).unlink()


def main() -> None:
    """Run the demo, then every page on its files, and keep the pictures that they make."""
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        printed("skysample demo --out night")
        for page in PAGES:
            refresh(page)
        for name in PICTURES:
            shutil.copy(name, DOCS / "images")
        photograph(Path("record.html"), DOCS / "images" / RECORD)


if __name__ == "__main__":
    main()
