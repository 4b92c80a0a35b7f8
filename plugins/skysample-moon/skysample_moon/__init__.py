"""Keeps a plan away from the Moon."""
