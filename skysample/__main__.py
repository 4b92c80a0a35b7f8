"""`python -m skysample` is the command."""

from __future__ import annotations

from skysample.cli import main

if __name__ == "__main__":
    main()
