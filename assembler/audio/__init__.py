"""Source recordings: the headers of a file, and its sound as blocks of float samples."""

from assembler.audio.probe import SourceInfo, probe
from assembler.audio.recording import Recording, open_recording

__all__ = ["Recording", "SourceInfo", "open_recording", "probe"]
