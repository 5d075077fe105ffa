"""Passages, gains and the finished sound of each track."""
