"""The cautions that stand wherever somebody is told to turn a bolt or to move a mount."""

from __future__ import annotations

__all__ = ["MOVING", "WEDGE"]

WEDGE = (
    (
        "Loosening wedge bolts under a loaded mount can drop or tip it: back bolts off a little at a time,"
        " keep one clamp snug, and stay out from under."
    ),
    (
        "A direct drive holds nothing without power: balance first. Adjust with the tube mechanically locked and the"
        " motors off (by turns, then measure again), or with tracking on, slews locked out and a stop in hand."
    ),
    "Lifting and electrical work follow local codes and qualified people.",
)
"""Before a bolt is touched."""

MOVING = (
    "Never point towards the Sun. Dome and mount move without warning: keep people, cables and ladders clear.",
)
"""Before a plan is run."""
