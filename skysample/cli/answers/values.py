"""Numbers and tables as JSON can say them: rounded, and null for what is not known."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from astropy.table import QTable
    from astropy.units import Quantity

__all__ = ["number", "probability", "rows", "value"]


def number(value: float | None, digits: int = 6) -> float | None:
    """Round a number to so many decimals; None if it is not known or not finite."""
    if value is None or not np.isfinite(value):
        return None
    return round(float(value), digits)


def probability(p: float | None) -> float | None:
    """Round a probability to six figures, however small; None if it is not known."""
    return None if p is None or not np.isfinite(p) else float(f"{p:.6g}")


def value(quantity: Quantity | None) -> float | None:
    """Round a quantity in its own unit; None if it is not known."""
    return None if quantity is None else number(float(quantity.value))


def rows(table: QTable, columns: dict[str, str]) -> list[dict[str, Any]]:
    """Rows of numbers as plain values, under each key its column; counts stay whole."""
    return [
        {
            key: int(row[name]) if table[name].dtype.kind == "i" else value(row[name])
            for key, name in columns.items()
        }
        for row in table
    ]
