"""kill -9 at any moment loses nothing: real processes, really killed, then what is on disk."""

from __future__ import annotations

import multiprocessing
import signal
import sys
import time
from functools import lru_cache
from pathlib import Path

import numpy as np
import pytest

from skysample.errors import NoSolution
from skysample.planning.resuming import resume
from skysample.runs import read_run
from skysample.runs.points_done import PointsDone, read_points_done
from tests.planning import session_process

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="there is no SIGKILL")


@pytest.fixture(scope="module")
def forked():
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["tests.planning.session_process"])
    with pytest.MonkeyPatch.context() as patch:
        # Before python 3.13 the server does not take over the path, and would import nothing.
        patch.setenv("PYTHONPATH", str(Path(__file__).parents[2]))
        warm = context.Process(target=len, args=("",))
        warm.start()
        warm.join(60.0)
    return context


def run_until_killed(forked, target, log, *more, kill_after_s=None):
    """What the process was told to have been recorded before it died, and whether it had finished by then."""
    hear, tell = forked.Pipe(duplex=False)
    process = forked.Process(target=target, args=(str(log), tell, *more))
    process.start()
    tell.close()
    accepted = []
    if kill_after_s is not None:
        # From its first result on, or there would be nothing to lose.
        if hear.poll(30.0):
            accepted.append(hear.recv())
        time.sleep(kill_after_s)
        process.kill()
    process.join(30.0)
    while True:
        try:
            accepted.append(hear.recv())
        except EOFError:
            break
    finished = accepted[-1:] == [None]
    assert finished or process.exitcode == -signal.SIGKILL
    return [each for each in accepted if each is not None], finished


def check(log, accepted):
    """The log is readable, holds what was accepted and at most one result more, and resuming gives the rest."""
    planned = session_process.PLAN
    progress = read_points_done(log)
    assert {number for number, solved in accepted if solved} <= set(progress.done)
    assert {number for number, solved in accepted if not solved} <= set(progress.failed)
    assert len(progress.done) + len(progress.failed) - len(accepted) in (0, 1)
    run = read_run(log, planned.site)
    assert (run.point.tolist(), run.failed) == (list(progress.done), len(progress.failed))
    untouched = set(planned.numbers.tolist()) - {*progress.done, *progress.failed}
    replacements = {planned.points + 1 + each for each in range(len(progress.failed))}
    assert what_resuming_gives(progress.done, progress.failed) == untouched | replacements


@lru_cache
def what_resuming_gives(done, failed):
    """Numbers of the rest; the same however often the same moment was hit."""
    try:
        return set(
            resume(session_process.PLAN, PointsDone(done, failed, None), order="nearest").numbers.tolist()
        )
    except NoSolution:
        return set()


def test_killed_at_random_moments_again_and_again(forked, tmp_path):
    rng = np.random.default_rng(3)
    night, log, accepted = 0, tmp_path / "0.ecsv", []
    for kill in range(15):
        told, finished = run_until_killed(
            forked, session_process.take_with_a_slow_disk, log, kill, kill_after_s=rng.uniform(0.0, 0.12)
        )
        accepted += told
        check(log, accepted)
        accepted = [(number, True) for number in read_points_done(log).done]
        accepted += [(number, False) for number in read_points_done(log).failed]
        if finished:
            night, accepted = night + 1, []
            log = tmp_path / f"{night}.ecsv"
    # What a write leaves that was cut short: that some were shows that the kills fell inside writes.
    assert list(tmp_path.glob(".*.part"))


def test_killed_before_any_line_of_a_write(forked, tmp_path):
    line, before, after = 0, 0, 0
    while True:
        line += 1
        log = tmp_path / f"{line}.ecsv"
        accepted, finished = run_until_killed(forked, session_process.die_before_line, log, line)
        check(log, accepted)
        if finished:
            break
        assert len(accepted) == 1
        if len(read_points_done(log).done) == 1:
            before += 1
        else:
            after += 1
    # Both kinds of moment were hit: with the old content on disk, and with the new one that nobody heard of yet.
    assert before > 10
    assert after > 2
