"""Run the demo and put what it prints, and its sky chart, into the README: `uv run python docs/refresh_readme.py`."""

from __future__ import annotations

import contextlib
import io
import shutil
import tempfile
from pathlib import Path

from skysample.cli.main import run_command

ROOT = Path(__file__).resolve().parents[1]
START, END = "<!-- tour: written by docs/refresh_readme.py -->", "<!-- end of tour -->"


def main() -> None:
    """Replace the tour between its two marks, and the chart beside it."""
    printed = io.StringIO()
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        with contextlib.redirect_stdout(printed):
            code = run_command(["demo", "--out", "night"])
        if code != 0:
            raise SystemExit(code)
        shutil.copy(Path("night", "sky.svg"), ROOT / "docs" / "images" / "sky.svg")
    readme = ROOT / "README.md"
    text = readme.read_text("utf-8")
    before, after = text[: text.index(START)], text[text.index(END) :]
    readme.write_text(f"{before}{START}\n\n```text\n{printed.getvalue().strip()}\n```\n\n{after}", "utf-8")


if __name__ == "__main__":
    main()
