"""Sound as arrays: float32, shape (frames, channels), full scale at 1.0, with a rate in hertz.

Nothing here knows of files, manifests or albums. Long sound passes as an iterator of blocks.
"""
