"""How long an order takes: legs of the mount, stands and schedule of the dome, whole tours and local moves of them."""
