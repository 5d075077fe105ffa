"""Each test has a folder with two small recordings."""

from bad_input.desk import desk

__all__ = ["desk"]
