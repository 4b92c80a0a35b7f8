"""For plugin authors: the checks that our own parts pass, a mount with known errors, and repeated trials."""

from skysample.testing.conformance import check_obstruction, check_ordering, check_term
from skysample.testing.simulated_mount import SimulatedMount
from skysample.testing.trials import trials

__all__ = ["SimulatedMount", "check_obstruction", "check_ordering", "check_term", "trials"]
