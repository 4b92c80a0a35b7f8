"""How far a plan has been taken, as a run tells."""

from __future__ import annotations

import os
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from skysample.errors import InputError
from skysample.files.columns import Columns
from skysample.files.tables import read_table
from skysample.runs.reading import RUN_FORMAT, RUN_VERSION

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["PointsDone", "plan_numbers", "read_points_done"]


@dataclass(frozen=True, slots=True)
class PointsDone:
    """How far a plan has been taken.

    Attributes
    ----------
    done : tuple of int
        Numbers of the points that have a solution.
    failed : tuple of int
        Numbers of those that brought nothing when tried, in the order in which that happened first. One that had
        a solution later is in both.
    last : int or None
        Number of the point taken or tried last.
    dome_az_rad : float or None
        Where the dome stood then, if the run says so.
    """

    done: tuple[int, ...]
    failed: tuple[int, ...]
    last: int | None
    dome_az_rad: float | None = None

    def then(self, later: PointsDone) -> PointsDone:
        """Both in a row; what `later` repeats counts once."""
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
        A run whose rows name their `point`, in the order in which they were taken; a row that is `failed`, or has
        no solution, brought nothing.

    Returns
    -------
    PointsDone

    Raises
    ------
    InputError
        If the file is no run, or a row does not name its point.
    """
    name = os.fspath(path)
    table = read_table(
        path, text=("status", "time"), expected=RUN_FORMAT, version=RUN_VERSION, undeclared=True
    )
    for column in ("point", "solved_ra_deg", "solved_dec_deg"):
        if column not in table.colnames:
            raise InputError(
                f"has no column {column}: only a run that names its points can be resumed",
                file=name,
                key=column,
            )
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
    """Read the column `point`, shape (n,): every row has to name one."""
    numbers = columns.integers("point", empty=0)
    for place in np.flatnonzero(numbers < 1):
        raise columns.refuse("point", int(place), "is not a number of the plan; write it")
    return numbers
