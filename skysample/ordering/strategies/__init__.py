"""Strategies that order the points, one a file."""
