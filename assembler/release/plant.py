"""Write what the plant gets for all discs together: the letter, and the folder's MD5 checksums."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from assembler.disc.bin import FOLDER
from assembler.disc.md5 import MD5SUMS, md5_text
from assembler.disc.texts import release_texts, track_texts
from assembler.disc.to_plant import NAME, PlantDisc, PlantFile, to_plant
from assembler.manifest import Manifest
from assembler.sequence import DiscOrder

Checksums = Callable[[str], tuple[str, str] | None]
"""Returns MD5 and SHA-256 of a file by its path in the discs' folder; None where there is none."""


def write_plant_files(
    folder: Path,
    manifest: Manifest,
    discs: Sequence[DiscOrder],
    stems: Sequence[str],
    checksums: Callable[[Path], tuple[str, str]],
) -> None:
    """Write `to-plant.txt`, then `MD5SUMS` of everything in the discs' folder.

    Parameters
    ----------
    folder
        The discs' folder, with all other files in it.
    manifest
        The manifest.
    discs, stems
        Each disc's order, and the name of its files without suffix.
    checksums
        Returns MD5 and SHA-256 of a file.
    """

    def of_name(name: str) -> tuple[str, str] | None:
        return checksums(folder / name) if (folder / name).exists() else None

    text = plant_letter(manifest, discs, stems, of_name)
    (folder / NAME).write_text(text, encoding="utf-8", newline="\n")
    files = [path for path in folder.rglob("*") if path.is_file()]
    digests = {path.relative_to(folder).as_posix(): checksums(path)[0] for path in files}
    (folder / MD5SUMS).write_text(md5_text(digests), encoding="utf-8", newline="\n")


def plant_letter(
    manifest: Manifest, discs: Sequence[DiscOrder], stems: Sequence[str], checksums: Checksums
) -> str:
    """Return the letter to the plant; see `write_plant_files`."""
    sent = []
    for order, stem in zip(discs, stems, strict=True):
        found = [(name, checksums(name)) for name in _sent_names(stem, manifest)]
        files = [PlantFile(name, *sums) for name, sums in found if sums]  # CD-Text may not fit
        texts = [track_texts(manifest, place.index) for place in order.places]
        sent.append(PlantDisc(order, tuple(texts), tuple(files)))
    release = manifest.release
    return to_plant(release.artist, release.title, release_texts(manifest), sent)


def bin_names(stem: str, manifest: Manifest) -> list[str]:
    """Return the paths in the discs' folder of a BIN file and its cue sheet, if they are made."""
    made = "bin" in manifest.disc.forms
    return [f"{FOLDER}/{stem}{suffix}" for suffix in (".bin", ".cue")] if made else []


def _sent_names(stem: str, manifest: Manifest) -> list[str]:
    own = [f"{stem}{suffix}" for suffix in (".wav", ".cue", ".cdtext", ".flac")]
    return [*own, *bin_names(stem, manifest)]
