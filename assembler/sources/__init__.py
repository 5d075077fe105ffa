"""Source recordings: what a file holds, and its sound as blocks of float samples."""

from assembler.sources.probe import SourceInfo, probe
from assembler.sources.recording import Recording, open_recording

__all__ = ["Recording", "SourceInfo", "open_recording", "probe"]
