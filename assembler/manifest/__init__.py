"""The manifest: the file that a release is made from."""

from assembler.manifest.load import ManifestFile, load, load_text, load_to_check
from assembler.manifest.model import Manifest, Track
from assembler.manifest.sets import Level

__all__ = ["Level", "Manifest", "ManifestFile", "Track", "load", "load_text", "load_to_check"]
