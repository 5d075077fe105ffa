"""A finished release: its folder, its report."""
