"""Signal processing on arrays: float32, shape (frames, channels), full scale 1.0, rates in hertz.

Nothing here knows files, manifests or albums. Long sound is an iterator of blocks.
"""
