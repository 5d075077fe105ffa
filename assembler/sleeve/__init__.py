"""Templates of the printed parts, for the sleeve designer."""
