"""Parts of the lower bound on the motion of any order."""
