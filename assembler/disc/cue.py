"""The cue sheet: an index to the image, as libcue, libcdio and cuetools read it.

Text is ISO 8859-1, lines end with CR LF, a text has 80 characters at the most and no double quotes
(common practice, no source). Pauses lie inside the image; only an opening pause beyond the usual
2 s is written, as PREGAP.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from anyascii import anyascii

from assembler.file_names import safe_name
from assembler.manifest.codes import ean13
from assembler.manifest.times import FRAMES_PER_SECOND, frames_text
from assembler.sequence import DiscOrder

ENCODING = "iso-8859-1"
LINE_END = "\r\n"
MOST_CHARACTERS = 80
_USUAL_PAUSE_FRAMES = 2 * FRAMES_PER_SECOND


@dataclass(frozen=True)
class CueTrack:
    """Words and codes of one track for the cue sheet."""

    title: str
    performer: str
    songwriter: str
    isrc: str | None


@dataclass(frozen=True)
class CueRelease:
    """Words and codes of the release for the cue sheet."""

    title: str
    performer: str
    barcode: str | None
    remarks: tuple[tuple[str, str], ...] = ()


def disc_stem(name: str, number: int, of: int) -> str:
    """Give the name, without ending, of a disc's image and cue sheet; ASCII where it must be."""
    spelt = name if all(_is_latin_1(sign) for sign in name) else anyascii(name)
    stem = safe_name(spelt) if spelt.strip("?_ ") else "disc"
    return f"{stem}-{number}" if of > 1 else stem


def disc_text(text: str) -> str:
    """Spell a text with the signs that a cue sheet can hold.

    Signs outside ISO 8859-1 are written with their nearest ASCII letters, double quotes become
    single ones, and the text is cut after 80 characters.

    Examples
    --------
    >>> disc_text('The “Sørlys” Песня')
    "The 'Sørlys' Pesnya"
    """
    composed = unicodedata.normalize("NFC", text)
    spelt = "".join(sign if _is_latin_1(sign) else anyascii(sign) for sign in composed)
    spelt = " ".join(spelt.replace('"', "'").split())
    return spelt[:MOST_CHARACTERS].rstrip()


def _is_latin_1(sign: str) -> bool:
    return " " <= sign <= "~" or "\xa1" <= sign <= "\xff"


def cue_sheet(
    image_name: str, order: DiscOrder, release: CueRelease, tracks: Sequence[CueTrack]
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
    lines = [f"REM {name} {disc_text(value)}" for name, value in release.remarks if value]
    if release.barcode:
        lines.append(f"CATALOG {ean13(release.barcode)}")
    lines += _texts(release.title, release.performer, "", indent="")
    lines.append(f'FILE "{image_name}" WAVE')
    for place, track in zip(order.places, tracks, strict=True):
        lines.append(f"  TRACK {place.number:02d} AUDIO")
        lines += _texts(track.title, track.performer, track.songwriter, indent="    ")
        if track.isrc:
            lines.append(f"    ISRC {track.isrc}")
        lines += _indexes(place.number, place.gap_frames, place.start_frame)
    return "\n".join(lines) + "\n"


def cue_bytes(sheet: str) -> bytes:
    """Give a cue sheet's text as the contents of its file."""
    return sheet.replace("\n", LINE_END).encode(ENCODING)


def _texts(title: str, performer: str, songwriter: str, indent: str) -> list[str]:
    fields = (("TITLE", title), ("PERFORMER", performer), ("SONGWRITER", songwriter))
    return [f'{indent}{name} "{spelt}"' for name, text in fields if (spelt := disc_text(text))]


def _indexes(number: int, gap_frames: int, start_frame: int) -> list[str]:
    start = f"    INDEX 01 {frames_text(start_frame)}"
    if number == 1:
        beyond = gap_frames - _USUAL_PAUSE_FRAMES
        return [f"    PREGAP {frames_text(beyond)}", start] if beyond > 0 else [start]
    if gap_frames == 0:
        return [start]
    return [f"    INDEX 00 {frames_text(start_frame - gap_frames)}", start]
