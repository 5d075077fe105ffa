"""ZIP archives whose bytes depend on their content alone.

ISO/IEC 21320-1, which has only what every reader knows; ZIP64 where a file exceeds 4 GB. Entries
are sorted by name, with one fixed time and no compression, since compressors differ between
versions and audio files would not shrink.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Mapping
from pathlib import Path

from assembler.cancel import check_cancelled

_EARLIEST = (1980, 1, 1, 0, 0, 0)
_UNIX = 3
_PLAIN_FILE = 0o100644 << 16
_COPY_BYTES = 1 << 20


def write_zip(
    target: Path, top: str, files: Mapping[str, Path | bytes], checksums: str = ""
) -> None:
    """Write an archive.

    Parameters
    ----------
    target
        The archive.
    top
        The folder that all its files are in.
    files
        Content by path inside that folder: a file, or bytes.
    checksums
        Name of a last entry with the SHA-256 of all others; none if empty.
    """
    sums = ""
    with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
        for name in sorted(files):
            digest = _add(archive, _entry(f"{top}/{name}"), files[name])
            sums += f"{digest}  {name}\n"
        if checksums:
            archive.writestr(_entry(f"{top}/{checksums}"), sums.encode())


def _entry(name: str) -> zipfile.ZipInfo:
    entry = zipfile.ZipInfo(name, _EARLIEST)
    entry.create_system = _UNIX
    entry.external_attr = _PLAIN_FILE
    return entry


def _add(archive: zipfile.ZipFile, entry: zipfile.ZipInfo, content: Path | bytes) -> str:
    """Add a file, and return its digest."""
    if isinstance(content, bytes):
        archive.writestr(entry, content)
        return hashlib.sha256(content).hexdigest()
    digest = hashlib.sha256()
    entry.file_size = content.stat().st_size  # decides whether the entry is ZIP64
    with content.open("rb") as file, archive.open(entry, "w") as out:
        while data := file.read(_COPY_BYTES):
            check_cancelled()
            digest.update(data)
            out.write(data)
    return digest.hexdigest()
