"""The command line: thin, and honest about its exit code."""

from skysample.cli.main import main

__all__ = ["main"]
