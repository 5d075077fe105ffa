"""What a person types, and what the terminal shows."""
