"""The cue sheet: an index to the image for common cue readers.

Texts are in ISO 8859-1, lines end with CR LF. Pauses are inside the image, and so is the part of
the track 1 pause beyond 2 s, because some readers ignore PREGAP.
"""

from __future__ import annotations

from collections.abc import Sequence

from anyascii import anyascii

from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.file_names import safe_name
from assembler.manifest.codes import ean13
from assembler.manifest.disc_alphabet import ENCODING, is_latin_1
from assembler.sequence import DiscOrder, TrackPlace
from assembler.text import frames_text

LINE_END = "\r\n"


def disc_stem(name: str, number: int, of: int) -> str:
    """Return the file name of a disc's image and cue sheet, without extension, in ISO 8859-1."""
    latin = name if all(map(is_latin_1, name)) else anyascii(name)
    stem = safe_name(latin) if latin.strip("?_ ") else "disc"
    return f"{stem}-{number}" if of > 1 else stem


def cue_sheet(
    image_name: str,
    order: DiscOrder,
    release: ReleaseTexts,
    tracks: Sequence[TrackTexts],
    kind: str = "WAVE",
) -> str:
    """Return a disc's cue sheet.

    Parameters
    ----------
    image_name
        File name of the image, in the same folder as the cue sheet.
    order
        The disc.
    release, tracks
        The texts; one of `tracks` per track of the disc.
    kind
        The word for the image's format.

    Returns
    -------
    str
        The text with LF line ends; `cue_bytes` encodes it for the file.
    """
    lines = [f"REM {remark}" for remark in cue_remarks(release)]
    if release.barcode:
        lines.append(f"CATALOG {ean13(release.barcode)}")
    lines += _texts(release, indent="")
    lines.append(f'FILE "{image_name}" {kind}')
    for place, track in zip(order.places, tracks, strict=True):
        lines.append(f"  TRACK {place.number:02d} AUDIO")
        lines += _texts(track, indent="    ")
        if flags := track.flags:
            lines.append(f"    FLAGS {' '.join(flags)}")
        if track.isrc:
            lines.append(f"    ISRC {track.isrc}")
        lines += _indexes(place)
    return "\n".join(lines) + "\n"


def cue_remarks(release: ReleaseTexts) -> list[str]:
    """Return the remarks of a cue sheet: genre, year and catalogue number."""
    remarks = (
        ("GENRE", release.genre),
        ("DATE", release.year),
        ("CATALOGUE NUMBER", release.catalogue_number),
    )
    return [f"{name} {value}" for name, value in remarks if value]


def cue_bytes(sheet: str) -> bytes:
    """Return a cue sheet's text as the content of its file."""
    return sheet.replace("\n", LINE_END).encode(ENCODING)


def _texts(texts: ReleaseTexts | TrackTexts, indent: str) -> list[str]:
    fields = (
        ("TITLE", texts.title),
        ("PERFORMER", texts.performer),
        ("SONGWRITER", texts.songwriter),
    )
    return [f'{indent}{name} "{text}"' for name, text in fields if text]


def _indexes(place: TrackPlace) -> list[str]:
    return [f"    INDEX {n:02d} {frames_text(frame)}" for n, frame in place.points]
