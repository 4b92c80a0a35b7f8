"""Numbers with their errors as text, and the signs that a page has and a terminal lacks."""

from __future__ import annotations

import re

__all__ = ["measured", "probability", "signed", "typeset"]

_SIGNS = (
    (r" \+- ", "\N{NO-BREAK SPACE}\N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}"),
    (r"\+-", "\N{PLUS-MINUS SIGN}"),
    (r"(?<=\d)'", "\N{PRIME}"),
    (r'(?<=\d)"', "\N{DOUBLE PRIME}"),
    (r"'", "\N{RIGHT SINGLE QUOTATION MARK}"),
    (r"(?<![\w.-])-(?=\d)", "\N{MINUS SIGN}"),
)


def measured(value: float, error: float, unit: str) -> str:
    """Write a number with its error, as many decimals as the error bears: 37.42' +- 0.08'."""
    decimals = 1 if error >= 0.1 else 2 if error >= 0.005 or error == 0.0 else 3
    return f"{value:.{decimals}f}{unit} +- {error:.{decimals}f}{unit}"


def signed(value: float, error: float, unit: str) -> str:
    """Write a number with sign and error; without a sign where it rounds to none."""
    text = measured(abs(value), error, unit)
    return text if float(text.partition(unit)[0]) == 0.0 else ("-" if value < 0.0 else "+") + text


def probability(p: float) -> str:
    """Write a probability."""
    return "< 0.0001" if p < 1e-4 else f"{p:.4f}"


def typeset(text: str) -> str:
    """Put primes, minus and plus-minus signs into one of our own lines, which are written for a terminal."""
    for plain, sign in _SIGNS:
        text = re.sub(plain, sign, text)
    return text
