"""Run a command and return its exit code: 0 done, 1 the answer is no, 2 bad input, 3 internal error."""

from __future__ import annotations

import contextlib
import gc
import io
import os
import sys
import traceback
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.cli.printing import printable
from skysample.cli.progress_bar import clear_bar, progress_bar
from skysample.errors import InputError, NoSolution, NotDetermined, PluginError, SkysampleWarning

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

DONE, NO, BAD_INPUT, INTERNAL_ERROR, STOPPED = 0, 1, 2, 3, 130


def main() -> None:
    """Entry point of the `skysample` command."""
    # Collecting garbage while modules load takes a tenth of a short command.
    gc.set_threshold(100_000)
    # A file name may have letters that this terminal lacks.
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")
    sys.exit(run_command(sys.argv[1:]))


def run_command(arguments: Sequence[str]) -> int:
    """Run one command line; return its exit code."""
    try:
        from skysample.cli.commands import app
    except ModuleNotFoundError as error:
        if error.name not in {"typer", "rich"}:
            raise
        return _print_error(f"the command needs {error.name}; install skysample[cli]", BAD_INPUT)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", SkysampleWarning)
        # astropy warns of headers that we refuse in a sentence of our own.
        warnings.filterwarnings("ignore", module=r"astropy\.")
        with progress_bar():
            code = _exit_code(app, list(arguments))
    if code in {DONE, NO}:
        for text in dict.fromkeys(
            str(each.message) for each in caught if issubclass(each.category, SkysampleWarning)
        ):
            _print_error(f"note: {text}", code)
    return code


def _exit_code(app: Callable[..., object], arguments: list[str]) -> int:
    try:
        result = app(args=arguments, prog_name="skysample", standalone_mode=False)
        sys.stdout.flush()
    except (NoSolution, NotDetermined) as error:
        return _print_error(str(error), NO)
    except (InputError, PluginError) as error:
        return _print_error(str(error), BAD_INPUT)
    except (BrokenPipeError, SystemExit):
        # The reader closed the pipe; typer raises SystemExit then, and only then.
        _discard_stdout()
        return DONE
    except OSError as error:
        _discard_stdout()
        return _print_error(
            f"{error.filename or 'the output'}: cannot be read or written ({error.strerror or error});"
            " check the path and its permissions",
            BAD_INPUT,
        )
    except (KeyboardInterrupt, Exception) as error:  # noqa: BLE001 - last resort: never a bare traceback
        return _unexpected(error)
    return result if isinstance(result, int) else DONE


def _discard_stdout() -> None:
    """Send the rest to nowhere: Python would complain again when it closes stdout."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _unexpected(error: BaseException) -> int:
    if isinstance(error, KeyboardInterrupt) or type(error).__name__ == "Abort":
        return _print_error("stopped; no file is left half-written", STOPPED)
    # Newer typer carries its own copy of click: recognise its usage errors by what they can do.
    describe = getattr(error, "format_message", None)
    if describe is not None:
        if type(error).__name__ == "NoArgsIsHelpError":
            sys.stdout.write(f"{describe()}\n")
            return DONE
        sentence = str(describe()).strip().rstrip(".").replace("Input should be", "it must be")
        sentence = sentence.partition(", unable to parse")[0]
        command = getattr(getattr(error, "ctx", None), "command_path", "skysample")
        return _print_error(
            f"{sentence}{'' if sentence.endswith('?') else ';'} see `{command} --help`", BAD_INPUT
        )
    if isinstance(error, ModuleNotFoundError) and error.name in {"matplotlib", "jinja2", "rich"}:
        extra = {"matplotlib": "plot", "jinja2": "report", "rich": "cli"}[error.name]
        return _print_error(f"this needs {error.name}; install skysample[{extra}]", BAD_INPUT)
    *_, where = traceback.extract_tb(error.__traceback__)
    place = f"{Path(where.filename).name}:{where.lineno}"
    return _print_error(
        f"internal error ({type(error).__name__}: {error}; at {place}); please report it with the command, its files"
        " and the output of `skysample plugins`",
        INTERNAL_ERROR,
    )


def _print_error(sentence: str, code: int) -> int:
    clear_bar()
    sys.stderr.write("skysample: " + printable(" ".join(sentence.split())) + "\n")
    return code
