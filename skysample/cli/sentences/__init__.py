"""Results as a person reads them at night, one kind a module.

The action first, short lines, every number with its error and unit.
"""
