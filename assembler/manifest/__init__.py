"""The manifest: the file that a release is made from."""

from assembler.manifest.load import ManifestFile, load, load_to_check
from assembler.manifest.model import Level, Manifest, Track

__all__ = ["Level", "Manifest", "ManifestFile", "Track", "load", "load_to_check"]
