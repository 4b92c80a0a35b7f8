"""Which points of a plan are done, as its run shows."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns
from skysample.runs.reading import read_run_table

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PointsDone", "plan_numbers", "read_points_done"]


@dataclass(frozen=True, slots=True)
class PointsDone:
    """What has been taken of a plan.

    Attributes
    ----------
    done : tuple of int
        Numbers of the points with a solution.
    failed : tuple of int
        Numbers of the points that failed, in the order of their first failure. A point solved later is in both.
    last : int or None
        Number of the point tried last.
    dome_az_rad : float or None
        Azimuth of the dome at that point, if the run gives it.
    """

    done: tuple[int, ...]
    failed: tuple[int, ...]
    last: int | None
    dome_az_rad: float | None = None

    def then(self, later: PointsDone) -> PointsDone:
        """Join with what was taken later; a point in both counts once."""
        tried = later if later.last is not None else self
        return PointsDone(
            tuple(dict.fromkeys((*self.done, *later.done))),
            tuple(dict.fromkeys((*self.failed, *later.failed))),
            tried.last,
            tried.dome_az_rad,
        )


def read_points_done(path: str | os.PathLike[str]) -> PointsDone:
    """Read from a run file which points of its plan are done.

    Parameters
    ----------
    path : path-like
        A run whose rows name their `point`, in the order in which they were taken. A row that is marked `failed` or
        has no solution counts as failed.

    Returns
    -------
    PointsDone

    Raises
    ------
    InputError
        If the file is not a run, or a row does not name its point.
    """
    name = os.fspath(path)
    table = read_run_table(path)
    for column in ("point", "solved_ra_deg", "solved_dec_deg"):
        if column not in table.colnames:
            message = f"has no column {column}; resuming needs a run that names its points"
            raise InputError(message, file=name, key=column)
    columns = Columns(table, np.arange(len(table)), name)
    numbers = plan_numbers(columns)
    solved = columns.present("solved_ra_deg") & columns.present("solved_dec_deg")
    solved &= np.array([status != "failed" for status in columns.choices("status", ("ok", "failed"))], bool)
    dome = np.radians(columns.floats("dome_az_deg", -360.0, 360.0, unit="deg"))
    return PointsDone(
        tuple(dict.fromkeys(numbers[solved].tolist())),
        tuple(dict.fromkeys(numbers[~solved].tolist())),
        int(numbers[-1]) if len(numbers) else None,
        float(dome[-1]) if len(numbers) and np.isfinite(dome[-1]) else None,
    )


def plan_numbers(columns: Columns) -> NDArray[np.int64]:
    """Read the column `point`, which must have a number in every row, shape (n,)."""
    numbers = columns.integers("point", empty=0)
    for place in np.flatnonzero(numbers < 1):
        raise columns.refuse("point", int(place), "is not a number of the plan; write it")
    return numbers
