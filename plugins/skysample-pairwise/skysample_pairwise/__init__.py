"""Order a plan by the shortest path over a table of times from point to point, with PyVRP.

For comparison with skysample's own orderings: a table cannot describe the dome. The site file gives the budget; the
default is 5000 iterations::

    [plugins.pairwise]
    iterations = 5000
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from skysample.plugins import hookimpl, read_settings
from skysample_pairwise.ordering import Pairwise, PairwiseSettings
from skysample_pairwise.table import TICKS, pairwise_s, pairwise_ticks

if TYPE_CHECKING:
    from collections.abc import Mapping

    from skysample.plugins import Ordering

__all__ = ["TICKS", "Pairwise", "PairwiseSettings", "pairwise_s", "pairwise_ticks", "skysample_orderings"]


@hookimpl
def skysample_orderings(settings: Mapping[str, Any]) -> list[Ordering]:
    """Return the ordering, with the budget from the site file."""
    return [Pairwise(read_settings(settings, PairwiseSettings, plugin="pairwise").iterations)]
