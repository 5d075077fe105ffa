"""A first manifest from a folder of audio and, if there is one, a pasted song list."""
