"""Where a direction on the sky is seen from the site at a moment: time scales, Earth orientation, stars, Moon."""
