"""The command line: one module a command."""

from skysample.cli.main import main

__all__ = ["main"]
