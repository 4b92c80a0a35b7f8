"""Directions on the sky as seen from the site: time scales, Earth orientation, observed places, stars, Moon."""
