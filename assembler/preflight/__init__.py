"""What can be known before anything is rendered."""
