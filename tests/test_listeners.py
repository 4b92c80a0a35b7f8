"""What a long calculation says of itself, and the bar that shows it."""

import contextlib
import io
import threading

import numpy as np
import pytest

import skysample as ss
from skysample.cli import progress_bar
from skysample.cli.printing import print_lines
from skysample.geometry import alt_az
from skysample.listeners import listening, tell
from skysample.sampling.even import even_points


def some_cells():
    import healpy as hp

    directions = np.stack(hp.pix2vec(16, np.arange(hp.nside2npix(16))), axis=-1)
    return directions[alt_az(directions)[0] > 0.5]


def test_a_listener_hears_how_far_it_is_and_never_more_than_all():
    heard = []
    with listening(lambda *told: heard.append(told)):
        even_points(some_cells(), 10, effort="quick")
    assert {doing for doing, _, _ in heard} == {"spreading 10 points"}
    assert [done for _, done, _ in heard] == list(range(len(heard)))
    assert all(done < of for _, done, of in heard)


def test_listening_changes_no_result_and_ends_with_the_block():
    heard = []
    alone = even_points(some_cells(), 10, effort="quick")
    with listening(lambda *told: heard.append(told)):
        watched = even_points(some_cells(), 10, effort="quick")
    before = len(heard)
    tell("something else")
    assert len(heard) == before > 0
    np.testing.assert_array_equal(alone, watched)


def test_another_thread_is_not_heard():
    heard = []
    with listening(lambda *told: heard.append(told)):
        thread = threading.Thread(target=tell, args=("elsewhere",))
        thread.start()
        thread.join()
    assert heard == []


def test_a_listener_that_raises_breaks_the_calculation_off():
    class Enough(Exception):
        pass

    def refuse(_doing, done, _of):
        if done == 2:
            raise Enough

    with pytest.raises(Enough), ss.listening(refuse):
        even_points(some_cells(), 10, effort="quick")


class Terminal(io.StringIO):
    def isatty(self):
        return True


@pytest.fixture
def drawn(monkeypatch):
    """Wait until the bar is there, tell it something, print an answer; give what the terminal got before and after."""
    monkeypatch.setattr(progress_bar, "_DELAY_S", 0.0)

    def drawn_on(stream, kind="xterm-256color"):
        monkeypatch.setenv("TERM", kind)
        with contextlib.redirect_stderr(stream), progress_bar.progress_bar():
            for thread in threading.enumerate():
                if isinstance(thread, threading.Timer):
                    thread.join()
            tell("spreading 10 points", 3, 7)
            print_lines(["the answer"])
            before = stream.getvalue()
        return before, stream.getvalue()

    return drawn_on


def test_the_bar_shows_what_a_command_is_at_and_is_gone_before_the_answer(drawn, capsys):
    text, after = drawn(Terminal())
    assert "spreading 10 points" in text
    # The line is erased and the cursor shown again before the answer goes to stdout.
    assert text.rstrip().endswith("\x1b[2K")
    assert text.count("\x1b[?25l") == text.count("\x1b[?25h") == 1
    assert capsys.readouterr().out == "the answer\n"
    assert after == text


@pytest.mark.parametrize("kind", ["dumb", ""])
def test_a_terminal_that_cannot_move_its_cursor_gets_no_bar(drawn, kind):
    assert drawn(Terminal(), kind) == ("", "")


def test_a_log_gets_no_bar(drawn):
    assert drawn(io.StringIO()) == ("", "")
