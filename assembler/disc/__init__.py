"""The disc: its image and its cue sheet."""
