"""How many points: before the final run from the pilot's noise, and after it from its own data."""

from skysample.sizing.learning import LearningCurve, learning_curve
from skysample.sizing.needed import DesignNeeded, PointsNeeded, points_needed

__all__ = ["DesignNeeded", "LearningCurve", "PointsNeeded", "learning_curve", "points_needed"]
