"""One module per fault of a transfer: found and measured."""
