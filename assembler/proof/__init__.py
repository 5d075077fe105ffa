"""The proof: what the artist hears and reads before anything is pressed."""
