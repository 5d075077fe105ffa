"""Read a finished release back and prove it."""
