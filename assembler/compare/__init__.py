"""Two finished releases side by side: what differs, and proof that nothing else does."""
