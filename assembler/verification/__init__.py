"""Verify a finished release by reading it back."""
