"""The running order: the position of each track on the disc's frame grid."""

from assembler.sequence.order import DiscOrder, Passage, TrackPlace, TrackSound, lay_out

__all__ = ["DiscOrder", "Passage", "TrackPlace", "TrackSound", "lay_out"]
