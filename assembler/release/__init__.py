"""A release as a whole: check it, plan it, master it, build it, verify it."""
