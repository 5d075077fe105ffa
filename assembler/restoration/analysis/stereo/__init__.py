"""Compare the two channels of a transfer."""
