"""Run the README's commands on the demo's files and put what they print under them.

`uv run python docs/refresh_readme.py`. `refresh_pages.py` does the same for the tutorial and the how-to pages.
"""

from __future__ import annotations

import contextlib
import tempfile

from refresh_pages import README, printed, refresh


def main() -> None:
    """Run the demo, then the README's commands on its files."""
    with tempfile.TemporaryDirectory() as folder, contextlib.chdir(folder):
        printed("skysample demo")
        refresh(README)


if __name__ == "__main__":
    main()
