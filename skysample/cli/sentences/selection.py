"""The choice of terms in sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from skysample.cli.sentences.columns import columns
from skysample.fitting.terms import STANDARD
from skysample.geometry import ARCSEC

if TYPE_CHECKING:
    from collections.abc import Iterator

    from skysample.scoring.selection import TermSelection

__all__ = ["selection_lines"]


def selection_lines(selection: TermSelection) -> Iterator[str]:
    """Say what was tried, what was added, and how large a term would have been found."""
    yield f"Selection: {selection}."
    yield from columns(
        ("candidate", "t", "limit", "adj. p", "findable", "verdict"),
        [
            (
                each.name,
                _or_dash(each.t, f"{each.t:.1f}"),
                _or_dash(each.threshold, f"{each.threshold:.1f}"),
                _or_dash(each.adjusted_p, f"{each.adjusted_p:.2g}"),
                _or_dash(each.detectable_rad, f'{each.detectable_rad / ARCSEC:.2f}"'),
                each.verdict,
            )
            for each in selection.candidates
        ],
    )
    yield '"findable": the size that would be found in 80 % of nights like this one.'
    for each in selection.candidates:
        if each.verdict not in ("added", "not found"):
            yield f"- {each.name}: {each.verdict}; {each.reason}."
    yield selection.note
    if selection.added:
        standard = selection.started_from == STANDARD[selection.model.kind]
        terms = ["standard", *selection.added] if standard else selection.model.names
        yield f"The same terms for polar and report: --terms {','.join(terms)}"


def _or_dash(value: float, text: str) -> str:
    return text if np.isfinite(value) else "-"
