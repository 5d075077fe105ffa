"""One ZIP archive per format: the track files, the cover, the track list and the checksums.

ISO/IEC 21320-1, which has only what every reader knows; ZIP64 where a file exceeds 4 GB. The same
content has the same bytes: entries sorted by name, one fixed time, no compression, since
compressors differ between versions and audio files would not shrink.
"""

from __future__ import annotations

import hashlib
import unicodedata
import zipfile
from collections.abc import Sequence
from pathlib import Path

from assembler.cancel import check_cancelled
from assembler.file_names import safe_name
from assembler.manifest import Manifest
from assembler.metadata import TrackMetadata
from assembler.text import duration_text

TRACK_LIST = "tracklist.txt"
COVER = "cover.jpg"
CHECKSUMS = "SHA256SUMS"
_EARLIEST = (1980, 1, 1, 0, 0, 0)
_UNIX = 3
_PLAIN_FILE = 0o100644 << 16
_COPY_BYTES = 1 << 20


def package_name(manifest: Manifest, format_name: str) -> str:
    """Return the file name of a format's package: ``Artist - Title (flac-24).zip``."""
    release = manifest.release
    return f"{safe_name(f'{release.artist} - {release.title}')} ({format_name}).zip"


def write_package(folder: Path, target: Path, tracklist: str, cover: bytes | None) -> None:
    """Write the archive of a format's folder, with the track list and the cover as JPEG.

    All files are in a folder named like the archive.
    """
    texts = {TRACK_LIST: tracklist.encode()} | ({COVER: cover} if cover else {})
    files = {unicodedata.normalize("NFC", p.name): p for p in folder.iterdir() if p.is_file()}
    sums = ""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files | texts):
            entry = _entry(target, name)
            if name in texts:
                archive.writestr(entry, texts[name])
                digest = hashlib.sha256(texts[name]).hexdigest()
            else:
                digest = _copy(files[name], archive, entry)
            sums += f"{digest}  {name}\n"
        archive.writestr(_entry(target, CHECKSUMS), sums.encode())


def _entry(target: Path, name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(f"{target.stem}/{name}", _EARLIEST)
    entry.create_system = _UNIX
    entry.external_attr = _PLAIN_FILE
    return entry


def _copy(source: Path, archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> str:
    """Copy a file into the archive and return its digest."""
    digest = hashlib.sha256()
    entry.file_size = source.stat().st_size  # decides whether the entry is ZIP64
    with source.open("rb") as file, archive.open(entry, "w") as out:
        while data := file.read(_COPY_BYTES):
            check_cancelled()
            digest.update(data)
            out.write(data)
    return digest.hexdigest()


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
