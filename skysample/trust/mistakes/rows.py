"""Solutions, readings or times that stand in another exposure's row, and solutions that were not renewed."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.geometry import ARCSEC, direction, separation
from skysample.plugins.contracts import Mistake

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from skysample.runs.log import Log
    from skysample.site import Site

_FIX = "Compare frame names and times of each row with the images; write the run again."
_SEEN = 5.0
"""Log odds of a mistake that stands in the rows themselves: no telescope repeats a solution to 10 arcsec."""

_SAME = 10.0 * ARCSEC
_MOVED = 120.0 * ARCSEC


def mistakes(site: Site) -> Iterator[Mistake]:  # noqa: ARG001 - every cause is asked alike
    """Each column one row on or back, and solutions that repeat the last one."""
    columns = (
        ("solved_rad", "the solutions", -5.0),
        ("mount_rad", "the readings or targets", -5.5),
        ("time", "the times", -6.0),
    )
    for field, words, odds in columns:
        for rows, where in ((1, "before"), (-1, "after")):

            def undo(log: Log, site: Site, field: str = field, rows: int = rows) -> tuple[Log, Site] | None:
                return _moved(log, field, rows), site

            sentence = f"{words} stand one row {where} where they belong"
            yield Mistake(f"{field} {rows:+d} row", "rows", sentence, _FIX, undo, odds, near=field == "time")
    sentence = "some rows repeat the solution of the row before: an old image was solved again"
    yield Mistake("stale solutions", "rows", sentence, _FIX, _fresh, _SEEN)


def _moved(log: Log, field: str, rows: int) -> Log:
    """The log with one column moved, without the row that then lacks a partner."""
    n = len(log)
    here = slice(1, None) if rows > 0 else slice(None, n - 1)
    there = slice(None, n - 1) if rows > 0 else slice(1, None)
    part: NDArray[np.bool_] = np.zeros(n, bool)
    part[here] = True
    moved: Any = getattr(log, field)[there]
    return replace(log.part(part), **{field: moved})


def stale(log: Log) -> NDArray[np.bool_]:
    """Which rows have the solution of the row before although the mount moved in between, shape (n,)."""
    places = direction(log.solved_rad[:, 1], log.solved_rad[:, 0])
    asked = direction(log.mount_rad[:, 1], log.mount_rad[:, 0])
    found = np.zeros(len(log), bool)
    found[1:] = (separation(places[1:], places[:-1]) < _SAME) & (separation(asked[1:], asked[:-1]) > _MOVED)
    return found


def _fresh(log: Log, site: Site) -> tuple[Log, Site] | None:
    old = stale(log)
    return (log.part(~old), site) if old.any() else None
