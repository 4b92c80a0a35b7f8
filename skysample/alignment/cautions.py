"""Safety cautions printed wherever somebody is asked to turn a bolt or to move a mount."""

from __future__ import annotations

__all__ = ["FINISH", "MOVING", "STAR", "WEDGE", "WEDGE_IN_BRIEF"]

FINISH = "When you raise or lower, always finish going up, against the weight, to take up the slack."
"""With every move."""

WEDGE = (
    (
        "Loosening wedge bolts under a loaded mount can drop or tip it: back bolts off a little at a time,"
        " keep one clamp snug, and stay out from under."
    ),
    (
        "A direct-drive mount goes limp without power: balance it first. Then either lock the tube mechanically, switch"
        " the motors off, turn the bolts and take a new run; or keep tracking, with slews locked out and a second"
        " person's hand on the emergency stop."
    ),
    "Leave lifting and electrical work to qualified people, and follow local codes.",
)
"""Before a bolt is touched."""

WEDGE_IN_BRIEF = (
    "Before you touch a bolt: the mount can drop. Balance it, back off a little at a time, one clamp snug,"
    " nobody under it. Lifting: qualified people, local codes."
)
"""The same on two lines."""

MOVING = (
    "Never point towards the Sun. Dome and mount move without warning: keep people, cables and ladders clear.",
)
"""Before a plan is run."""

STAR = (
    (
        "Turn the bolts while the motors hold the star: tracking on, slews locked out at the controller, and a"
        " second person with a hand on the emergency stop."
    ),
    "Call out before you send a command to the mount, and keep hands off the bolts until it is done.",
    "Work only at night, and never with the tube turned towards the Sun.",
    "Stop at once if a motor strains, a bolt turns without effort, or the star jumps: something has come loose.",
)
"""Before bolts are turned under a star."""
