"""A finished release: its folder and its report."""
