"""Read the columns of a table from any source: checked cell by cell, errors name row and column."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from skysample.astrometry.times import to_utc, utc_from_text
from skysample.errors import InputError
from skysample.files.tables import FileTable, as_bool, as_float

if TYPE_CHECKING:
    from collections.abc import Sequence

    from astropy.table import Table
    from astropy.time import Time
    from numpy.typing import NDArray

    from skysample.geometry import Array


@dataclass(frozen=True)
class Columns:
    """Some rows of a table, read column by column.

    Attributes
    ----------
    table : FileTable, astropy.table.Table or QTable
    index : ndarray of int, shape (n,)
        The rows to read, from 0.
    file : str or None
        Named in errors.
    """

    table: Table | FileTable
    index: NDArray[np.int64]
    file: str | None = None

    @property
    def rows(self) -> NDArray[np.int64]:
        """Data row numbers, from 1."""
        return self.index + 1

    def only(self, mask: NDArray[np.bool_]) -> Columns:
        """Keep some of the rows."""
        return Columns(self.table, self.index[mask], self.file)

    def refuse(self, name: str, place: int, what: str) -> InputError:
        """Build the error for row number `place` (from 0) of those read."""
        return InputError(f"{name} {what}", file=self.file, row=int(self.rows[place]), key=name)

    def has_values(self, name: str) -> bool:
        """Whether the column exists and has a value in any of the rows."""
        return bool(self.present(name).any())

    def present(self, name: str) -> NDArray[np.bool_]:
        """Which rows have a value in the column (neither empty nor nan), shape (n,)."""
        return np.array([cell is not None for cell in self._cells(name)], dtype=bool)

    def floats(
        self, name: str, low: float, high: float, *, unit: str | None = None, required: bool = False
    ) -> Array:
        """Numbers of a column within low..high, shape (n,); nan for an empty cell.

        Raises
        ------
        InputError
            Names the row and the column, if a cell is not a number, out of range, or empty though required.
        """
        values = np.full(len(self.index), np.nan)
        for place, cell in enumerate(self._cells(name, unit)):
            if cell is None:
                if required:
                    raise self.refuse(name, place, "is empty; give it, or mark the row as failed")
                continue
            try:
                # bool is a number to Python, but its text is not one.
                value = as_float(str(cell)) if isinstance(cell, str | bool) else float(cell)
            except (TypeError, ValueError, OverflowError):
                raise self.refuse(name, place, f"is {cell!r:.60}, not a number; correct it") from None
            if not low <= value <= high:
                raise self.refuse(name, place, f"is {value:g}, not in {low:g}..{high:g}; correct it")
            values[place] = value
        return values

    def integers(self, name: str, empty: int) -> NDArray[np.int64]:
        """Whole numbers from 0, shape (n,), with `empty` for an empty cell."""
        values = self.floats(name, 0.0, 1e9)
        for place in np.flatnonzero(values % 1.0 > 0.0):
            raise self.refuse(name, int(place), f"is {values[place]:g}, not a whole number; correct it")
        return np.where(np.isnan(values), empty, values).astype(np.int64)

    def texts(self, name: str) -> list[str]:
        """Stripped text of a column; an empty cell gives empty text."""
        return ["" if cell is None else str(cell).strip() for cell in self._cells(name)]

    def choices(self, name: str, allowed: Sequence[str]) -> list[str]:
        """Words of a column in lower case, each either empty or one of `allowed`."""
        words = [text.lower() for text in self.texts(name)]
        for place, word in enumerate(words):
            if word and word not in allowed:
                raise self.refuse(name, place, f"is {word!r:.60}; write {' or '.join(allowed)}")
        return words

    def booleans(self, name: str, empty: bool) -> NDArray[np.bool_]:
        """Truth values of a column, shape (n,), with `empty` for an empty cell."""
        values = np.full(len(self.index), empty)
        for place, word in enumerate(self.texts(name)):
            try:
                values[place] = as_bool(word) if word else empty
            except ValueError:
                raise self.refuse(name, place, f"is {word!r:.60}; write true or false") from None
        return values

    def times(self, name: str) -> Time:
        """Times of a column (`Time`, or ISO 8601 text) in UTC, shape (n,)."""
        from astropy.time import Time

        column = self.table[name]
        if isinstance(column, Time):
            chosen = column[self.index]
            masked = np.broadcast_to(np.asarray(getattr(chosen, "mask", False)), chosen.shape)
            if masked.any():
                raise self.refuse(name, int(np.argmax(masked)), "is empty; give the time of mid-exposure")
            return to_utc(chosen)
        cells = self._cells(name)
        for place, cell in enumerate(cells):
            if not isinstance(cell, str):
                empty = "is empty; give the time of mid-exposure"
                other = f"is {cell!r:.60}; write ISO 8601 text, UTC, like 2030-01-31T21:04:05.678"
                raise self.refuse(name, place, empty if cell is None else other)
        return utc_from_text(cells, file=self.file, rows=self.rows.tolist(), key=name)

    def _cells(self, name: str, unit: str | None = None) -> list[Any]:
        """Values of the rows read, None for a cell that is empty or nan."""
        if name not in self.table.colnames:
            return [None] * len(self.index)
        column = self.table[name]
        if np.ndim(column) != 1:
            raise InputError(f"{name} holds more than one value per row; give one", file=self.file, key=name)
        column = column[self.index]
        mask = np.broadcast_to(np.asarray(getattr(column, "mask", False), dtype=bool), (len(self.index),))
        values = self._plain(name, column, unit)
        return [None if gone or _is_empty(value) else value for gone, value in zip(mask, values, strict=True)]

    def _plain(self, name: str, column: Any, unit: str | None) -> list[Any]:
        from astropy import units as u

        is_file = isinstance(self.table, FileTable)
        found = self.table.units.get(name) if is_file else getattr(column, "unit", None)
        data = np.asarray(getattr(column, "unmasked", column))
        if found is None or unit is None or data.dtype.kind not in "iuf":
            return [str(cell) for cell in data] if data.dtype.kind in "MS" else list(data.tolist())
        try:
            return list(u.Quantity(data, found).to_value(unit, equivalencies=u.temperature()).tolist())
        except (u.UnitsError, TypeError, ValueError):
            raise InputError(
                f"{name} is in {found}, which does not convert to {unit}; correct the unit",
                file=self.file,
                key=name,
            ) from None


def _is_empty(value: Any) -> bool:
    """Whether a cell has no value: None, nan, or blank text."""
    if isinstance(value, str):
        return not value.strip()
    return value is None or (isinstance(value, float) and np.isnan(value))
