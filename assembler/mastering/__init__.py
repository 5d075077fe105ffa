"""Plan, match and render the masters of a release."""
