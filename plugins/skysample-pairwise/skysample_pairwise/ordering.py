"""The shortest open path over the table, by PyVRP's iterated local search (one vehicle, no loads)."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Annotated

import msgspec
import numpy as np

from skysample_pairwise.table import pairwise_ticks

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from skysample.ordering import OrderingProblem

__all__ = ["DEFAULT_ITERATIONS", "Pairwise", "PairwiseSettings"]

DEFAULT_ITERATIONS = 5000


class PairwiseSettings(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """`[plugins.pairwise]` of the site file."""

    iterations: Annotated[int, msgspec.Meta(ge=1, le=10_000_000)] = DEFAULT_ITERATIONS


@dataclass(frozen=True)
class Pairwise:
    """Order by the best path that PyVRP finds over the table.

    Parameters
    ----------
    iterations : int
        Budget. A count and not a time, so that the same seed gives the same order.
    """

    iterations: int = DEFAULT_ITERATIONS
    name: str = field(default="pairwise", init=False)

    def order(self, problem: OrderingProblem) -> NDArray[np.int64]:
        """Return the best order found; with the same version of PyVRP it is reproducible."""
        if problem.points < 2:
            return problem.numbers
        # The solver is heavy, and a registry is built at every start.
        from pyvrp import Model
        from pyvrp.stop import MaxIterations

        table = pairwise_ticks(problem).tolist()
        model = Model()
        places = [model.add_location(x=0, y=0) for _ in table]
        start = model.add_depot(places[0])
        for place in places[1:]:
            model.add_client(place)
        model.add_vehicle_type(1, start_depot=start, end_depot=start)
        for here, row in zip(places, table, strict=True):
            for there, ticks in zip(places, row, strict=True):
                if here is not there:
                    model.add_edge(here, there, distance=ticks)
        found = model.solve(stop=MaxIterations(self.iterations), seed=problem.seed % 2**32, display=False)
        (route,) = found.best.routes()
        return np.array([visit.idx for visit in route if visit.is_client()], np.int64)
