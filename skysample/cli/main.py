"""Run a command and turn what happens into an exit code: 0 done, 1 the answer is no, 2 bad input, 3 our own defect."""

from __future__ import annotations

import contextlib
import io
import os
import sys
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from skysample.cli.progress_bar import clear_bar, progress_bar
from skysample.cli.terminal import printable
from skysample.errors import InputError, NoSolution, NotDetermined, PluginError, SkysampleWarning

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

__all__ = ["main", "run_command"]

DONE, NO, BAD_INPUT, DEFECT, STOPPED = 0, 1, 2, 3, 130


def main() -> None:
    """Entry point of the `skysample` command."""
    # A file may be named in letters that this terminal does not have.
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
        return _say(f"the command needs {error.name}; install skysample[cli]", BAD_INPUT)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always", SkysampleWarning)
        # astropy writes its own warnings to stderr, about headers that are refused in a sentence anyway.
        warnings.filterwarnings("ignore", module=r"astropy\.")
        with progress_bar():
            code = _guarded(app, list(arguments))
    if code in {DONE, NO}:
        for text in dict.fromkeys(
            str(each.message) for each in caught if issubclass(each.category, SkysampleWarning)
        ):
            _say(f"note: {text}", code)
    return code


def _guarded(app: Callable[..., object], arguments: list[str]) -> int:
    try:
        result = app(args=arguments, prog_name="skysample", standalone_mode=False)
        sys.stdout.flush()
    except (NoSolution, NotDetermined) as error:
        return _say(str(error), NO)
    except (InputError, PluginError) as error:
        return _say(str(error), BAD_INPUT)
    except (BrokenPipeError, SystemExit):
        # The reader has seen enough; typer leaves by SystemExit then, and only then.
        _give_up_stdout()
        return DONE
    except OSError as error:
        _give_up_stdout()
        return _say(
            f"{error.filename or 'the output'}: cannot be read or written ({error.strerror or error});"
            " check the place and its permissions",
            BAD_INPUT,
        )
    except (KeyboardInterrupt, Exception) as error:  # noqa: BLE001 - the last line of defence: never a bare traceback
        return _unexpected(error)
    return result if isinstance(result, int) else DONE


def _give_up_stdout() -> None:
    """Let nothing more be written: python would complain again when it closes stdout."""
    with contextlib.suppress(OSError, ValueError):
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _unexpected(error: BaseException) -> int:
    if isinstance(error, KeyboardInterrupt):
        return _say("stopped; nothing half-written is left behind", STOPPED)
    # typer carries its own copy of click in newer versions: its usage errors are known by their manners.
    describe = getattr(error, "format_message", None)
    if describe is not None:
        if type(error).__name__ == "NoArgsIsHelpError":
            sys.stdout.write(f"{describe()}\n")
            return DONE
        sentence = str(describe()).strip().rstrip(".")
        return _say(f"{sentence}{'' if sentence.endswith('?') else ';'} see skysample --help", BAD_INPUT)
    if type(error).__name__ == "Abort":
        return _say("stopped", STOPPED)
    if isinstance(error, ModuleNotFoundError) and error.name in {"matplotlib", "jinja2", "rich"}:
        extra = {"matplotlib": "plot", "jinja2": "report", "rich": "cli"}[error.name]
        return _say(f"this needs {error.name}; install skysample[{extra}]", BAD_INPUT)
    where = error.__traceback__
    while where is not None and where.tb_next is not None:
        where = where.tb_next
    place = f"{Path(where.tb_frame.f_code.co_filename).name}:{where.tb_lineno}" if where else "?"
    return _say(
        f"a defect of ours ({type(error).__name__}: {error}; at {place}); please report it with the"
        f" command, its files and"
        " the output of `skysample plugins`",
        DEFECT,
    )


def _say(sentence: str, code: int) -> int:
    clear_bar()
    sys.stderr.write("skysample: " + printable(" ".join(sentence.split())) + "\n")
    return code
