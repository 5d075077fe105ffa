"""The cue sheet: an index to the image, as libcue, libcdio and cuetools read it.

Texts are spelt in the disc's alphabet, lines end with CR LF. Pauses lie inside the image, and so
does what the pause before track 1 has beyond 2 s: libcdio passes over PREGAP.
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
    """Return the name, without ending, of a disc's image and cue sheet; ASCII where it must be."""
    spelt = name if all(is_latin_1(sign) for sign in name) else anyascii(name)
    stem = safe_name(spelt) if spelt.strip("?_ ") else "disc"
    return f"{stem}-{number}" if of > 1 else stem


def cue_sheet(
    image_name: str, order: DiscOrder, release: ReleaseTexts, tracks: Sequence[TrackTexts]
) -> str:
    """Write a disc's cue sheet.

    Parameters
    ----------
    image_name
        File name of the image beside the cue sheet.
    order
        The disc.
    release, tracks
        The words; one of `tracks` for each of the disc's places.

    Returns
    -------
    str
        The text with LF line ends; `cue_bytes` makes the file's contents.
    """
    lines = [f"REM {remark}" for remark in cue_remarks(release)]
    if release.barcode:
        lines.append(f"CATALOG {ean13(release.barcode)}")
    lines += _texts(release, indent="")
    lines.append(f'FILE "{image_name}" WAVE')
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
    """Return what a cue sheet says of the release in remarks."""
    remarks = (
        ("GENRE", release.genre),
        ("DATE", release.year),
        ("CATALOGUE NUMBER", release.catalogue_number),
    )
    return [f"{name} {value}" for name, value in remarks if value]


def cue_bytes(sheet: str) -> bytes:
    """Return a cue sheet's text as the contents of its file."""
    return sheet.replace("\n", LINE_END).encode(ENCODING)


def _texts(words: ReleaseTexts | TrackTexts, indent: str) -> list[str]:
    fields = (
        ("TITLE", words.title),
        ("PERFORMER", words.performer),
        ("SONGWRITER", words.songwriter),
    )
    return [f'{indent}{name} "{text}"' for name, text in fields if text]


def _indexes(place: TrackPlace) -> list[str]:
    return [f"    INDEX {n:02d} {frames_text(frame)}" for n, frame in place.points]
