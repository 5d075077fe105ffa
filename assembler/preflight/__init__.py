"""Everything that can be checked before anything is rendered."""
