"""Tape sides: what is wrong with a transfer, its mending, and the songs on it."""
