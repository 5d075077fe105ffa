"""Write a first manifest from a folder of audio and, optionally, a pasted song list."""
