"""Compare a rip of the plant's test disc with the image that was sent."""
