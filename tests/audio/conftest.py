"""A desk with two small recordings for each test."""

from bad_input.desk import desk

__all__ = ["desk"]
