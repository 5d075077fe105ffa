"""Tape and record sides: find the faults of a transfer, repair them, and find its songs."""
