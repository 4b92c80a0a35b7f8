"""How well the mount follows the sky: trails of an axis that is off, tracking logs, periodic errors."""
