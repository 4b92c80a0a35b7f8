"""For plugin authors: the checks that skysample's own parts pass, and a telescope whose errors are known."""

from skysample.testing.conformance import check_obstruction, check_ordering, check_term
from skysample.testing.simulated_mount import SimulatedMount

__all__ = ["SimulatedMount", "check_obstruction", "check_ordering", "check_term"]
