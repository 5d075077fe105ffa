"""One ZIP archive per format: the track files, the cover, the track list and the checksums."""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from pathlib import Path

from assembler.file_names import safe_name
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.text import duration_text
from assembler.zip_files import write_zip

TRACK_LIST = "tracklist.txt"
COVER = "cover.jpg"
CHECKSUMS = "SHA256SUMS"


def package_name(manifest: Manifest, format_name: str) -> str:
    """Return the file name of a format's package: ``Artist - Title (flac-24).zip``."""
    release = manifest.release
    return f"{safe_name(f'{release.artist} - {release.title}')} ({format_name}).zip"


def write_package(folder: Path, target: Path, tracklist: str, cover: bytes | None) -> None:
    """Write the archive of a format's folder, with the track list and the cover as JPEG.

    All files are in a folder named like the archive.
    """
    files: dict[str, Path | bytes] = {
        unicodedata.normalize("NFC", p.name): p for p in folder.iterdir() if p.is_file()
    }
    files |= {TRACK_LIST: tracklist.encode()} | ({COVER: cover} if cover else {})
    write_zip(target, target.stem, files, CHECKSUMS)


def track_list(manifest: Manifest, metadata: Sequence[TrackMetadata]) -> str:
    """Return the track list as text, for listeners.

    Examples
    --------
    A line is ``03  Ropewalk Round  4:12``, with the artist where it is not the release's.
    """
    release = manifest.release
    lines = [release.artist, release.title, ""]
    for track in metadata:
        if track.of_discs > 1 and track.number == 1:
            lines += [*([""] if track.disc > 1 else []), f"Disc {track.disc}", ""]
        artist = f"{track.artist}: " if track.artist != release.artist else ""
        lines.append(
            f"{track.number:02d}  {artist}{track.title}  {duration_text(track.duration_s)}"
        )
    label = " ".join(text for text in (release.label, release.catalogue_number) if text)
    owners = (("", label), ("℗ ", release.p_line), ("© ", release.c_line))
    last = [f"{symbol}{text}" for symbol, text in owners if text]
    return "\n".join([*lines, *(["", *last] if last else [])]) + "\n"
