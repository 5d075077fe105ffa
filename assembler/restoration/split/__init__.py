"""Find the songs on a side."""
