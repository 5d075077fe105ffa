"""One module per fault of a transfer: repaired."""
