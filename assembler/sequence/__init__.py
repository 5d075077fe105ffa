"""The running order: where each track lies on the disc's grid of frames."""

from assembler.sequence.order import DiscOrder, Passage, TrackPlace, TrackSound, lay_out

__all__ = ["DiscOrder", "Passage", "TrackPlace", "TrackSound", "lay_out"]
