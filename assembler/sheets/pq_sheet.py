"""The PQ sheet: what a mastering studio tells the pressing plant of a disc, and its plain text.

What it carries is common practice, no source. Disc time: ECMA-130 and MMC (from memory): it starts
with the opening pause, so that after a pause of 2 s the image's first frame is at 00:02:00. ISRC
with hyphens: ISRC Handbook. Thirteen digits of the barcode: GS1 General Specifications.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from dataclasses import dataclass

from assembler.manifest.codes import ean13, isrc_text
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import FRAMES_PER_SECOND, frames_text, number_ranges
from assembler.typeset.fonts import clusters

NAME = "PQ sheet"
EMPTY = "empty slot"
"""Printed for what is missing, so that nothing goes to press unseen."""
NONE = "–"
COLUMNS = 100
SAMPLE_FORMAT = (
    f"{DISC_RATE_HZ:,} Hz, 16 bit, 2 channels, {FRAMES_PER_SECOND} frames/s of "
    f"{SAMPLES_PER_FRAME} samples"
)
FLAG_LEGEND = (
    "DCP: digital copy permitted. PRE: recorded with pre-emphasis 50/15 µs. "
    f"{NONE}: neither of the two."
)
TABLE_HEADS = ("Index", "Image time", "Disc time", "Length", "Pause")


@dataclass(frozen=True)
class PqTrack:
    """One track as the plant must find it.

    Attributes
    ----------
    points
        Index number and frame of the image, in order; index 1 is always there, index 0 only where
        the pause lies inside the image.
    pause_frames
        The pause before it; before the first track it is the opening pause.
    frames
        Length of its sound, from index 01 to its end.
    """

    number: int
    title: str
    performer: str
    isrc: str | None
    copy_permitted: bool
    pre_emphasis: bool
    points: tuple[tuple[int, int], ...]
    pause_frames: int
    frames: int

    @property
    def flags(self) -> str:
        """Its control flags in the words of the trade."""
        flags = (("DCP", self.copy_permitted), ("PRE", self.pre_emphasis))
        return " ".join(name for name, is_set in flags if is_set) or NONE

    @property
    def isrc_shown(self) -> str:
        """Its ISRC with hyphens, or that there is none."""
        return isrc_text(self.isrc) if self.isrc else EMPTY


@dataclass(frozen=True)
class PqSheet:
    """What the sheet of one disc says.

    Attributes
    ----------
    master_date
        A date as text, or None for a blank to fill in by hand.
    opening_pause_frames
        The pause before track 1, or before the sound hidden there.
    pause_in_image_frames
        How much of it begins the image.
    frames
        Length of the image.
    tail_frames
        Silence in the image after its last sound.
    hidden_frames
        How far into the image track 1 begins, with hidden sound before it.
    checksums
        Names and SHA-256 of other files that go to the plant.
    """

    artist: str
    title: str
    catalogue_number: str | None
    barcode: str | None
    label: str | None
    mastered_by: str | None
    master_date: str | None
    disc_number: int
    of_discs: int
    tracks: tuple[PqTrack, ...]
    opening_pause_frames: int
    frames: int
    tail_frames: int
    image_name: str
    image_sha256: str
    cue_name: str
    cue_sha256: str
    checksums: tuple[tuple[str, str], ...] = ()
    hidden_frames: int = 0
    pause_in_image_frames: int = 0

    @property
    def before_image_frames(self) -> int:
        """Return the pause in front of the image."""
        return self.opening_pause_frames - self.pause_in_image_frames

    def disc_frame(self, image_frame: int) -> int:
        """Give the place on the disc of a frame of the image."""
        return image_frame + self.before_image_frames

    @property
    def disc_text(self) -> str:
        """Which disc it is."""
        return f"Disc {self.disc_number} of {self.of_discs}"


@dataclass(frozen=True)
class PointRow:
    """One index point as it is printed; texts of its five columns, empty where there is none."""

    index: str
    image_time: str
    disc_time: str
    length: str
    pause: str


def point_rows(sheet: PqSheet, track: PqTrack) -> tuple[PointRow, ...]:
    """Give a track's index points as they are printed.

    Index 00 of the first track begins the disc; where its pause is in front of the image, it has a
    disc time and no image time.
    """
    points: list[tuple[int, int | None]] = list(track.points)
    if track == sheet.tracks[0] and points[0][0] != 0:
        points.insert(0, (0, None))
    return tuple(
        PointRow(
            f"{index:02d}",
            NONE if frame is None else frames_text(frame),
            frames_text(0 if frame is None else sheet.disc_frame(frame)),
            frames_text(track.frames) if index == 1 else "",
            frames_text(track.pause_frames) if n == 0 else "",
        )
        for n, (index, frame) in enumerate(points)
    )


def shown(text: str | None) -> str:
    """Give a text on one line, or say that it is missing."""
    return " ".join((text or "").split()) or EMPTY


def release_facts(sheet: PqSheet) -> dict[str, str]:
    """Give name and value of what the release is; the value of a blank is empty."""
    return {
        "Catalogue number": shown(sheet.catalogue_number),
        "Title": shown(sheet.title),
        "Artist": shown(sheet.artist),
        "Barcode": ean13(sheet.barcode) if sheet.barcode else EMPTY,
        "Label": shown(sheet.label),
        "Mastered by": shown(sheet.mastered_by),
        "Date made": " ".join((sheet.master_date or "").split()),
    }


def totals(sheet: PqSheet) -> dict[str, str]:
    """Give name and value of the disc's totals; the sum of pauses has the opening pause in it."""
    before = {"Sound before track 1": frames_text(sheet.hidden_frames)}
    return (before if sheet.hidden_frames else {}) | {
        "Tracks": str(len(sheet.tracks)),
        "Image length": frames_text(sheet.frames),
        "Lead-out, disc time": frames_text(sheet.disc_frame(sheet.frames)),
        "Opening pause": frames_text(sheet.opening_pause_frames),
        "Sum of pauses": frames_text(sum(track.pause_frames for track in sheet.tracks)),
        "Silence at end": frames_text(sheet.tail_frames),
    }


def empty_slots(sheet: PqSheet) -> str:
    """Name in one line what is missing; empty where nothing is."""
    slots = [name.lower() for name, value in release_facts(sheet).items() if value == EMPTY]
    without_isrc = [track.number for track in sheet.tracks if not track.isrc]
    if without_isrc:
        tracks = "track" if len(without_isrc) == 1 else "tracks"
        slots.append(f"ISRC of {tracks} {number_ranges(without_isrc)}")
    return "; ".join(slots)


def files(sheet: PqSheet) -> tuple[tuple[str, str, str], ...]:
    """Give kind, name and SHA-256 of every file that goes to the plant."""
    return (
        ("Image", sheet.image_name, sheet.image_sha256),
        ("Cue sheet", sheet.cue_name, sheet.cue_sha256),
        *(("Other file", name, sha256) for name, sha256 in sheet.checksums),
    )


def time_legend(sheet: PqSheet) -> str:
    """Say how the sheet's times count."""
    pause = frames_text(sheet.before_image_frames)
    return (
        "Times are mm:ss:ff. Image time counts from the first frame of the image. Disc time "
        f"counts from the start of the opening pause: disc time = image time + {pause}. "
        f"Image time {NONE}: in front of the image. The sum of pauses includes the opening pause."
    )


def performer_shown(sheet: PqSheet, track: PqTrack) -> str:
    """Give a track's performer where it is another than the release's artist; else nothing."""
    performer = " ".join(track.performer.split())
    return "" if performer == shown(sheet.artist) else performer


def pq_text(sheet: PqSheet) -> str:
    """Write the sheet as plain text for a fixed font: 100 columns, LF line ends.

    A title stands alone on its line, so that the columns of numbers below it keep their places
    where an editor turns lines of right-to-left text or draws wide letters in its own way.
    """
    return "\n".join(line.rstrip() for line in _lines(sheet)) + "\n"


_RULE = "-" * COLUMNS
_BLANK = "_" * 24
_TABLE = "{:<5}{:<21}{:<13}{:<9}{:<14}{:<14}{:<13}{:<8}"


def _lines(sheet: PqSheet) -> Iterator[str]:
    yield f"{NAME:<{COLUMNS - len(sheet.disc_text)}}{sheet.disc_text}"
    yield "=" * COLUMNS
    for name, value in release_facts(sheet).items():
        yield from _labelled(name, value or _BLANK)
    yield from _labelled("Sample format", SAMPLE_FORMAT)
    yield from _labelled("Empty slots", empty_slots(sheet) or "none")
    yield from ("", _RULE, _TABLE.format("No.", "Title / ISRC", "Flags", *TABLE_HEADS), _RULE)
    for n, track in enumerate(sheet.tracks):
        if n:
            yield ""
        yield from _track_lines(sheet, track)
    yield from (_RULE, "")
    for name, value in totals(sheet).items():
        yield from _labelled(name, value)
    yield ""
    for kind, name, sha256 in files(sheet):
        yield from _labelled(kind, shown(name))
        yield from _labelled("  SHA-256", sha256)
    yield ""
    yield from wrapped(FLAG_LEGEND, COLUMNS)
    yield from wrapped(time_legend(sheet), COLUMNS)
    for signer in ("Mastered by", "Checked by plant"):
        yield from ("", "", f"{signer:<21}{'_' * 44}   Date {_BLANK}")


def _labelled(name: str, value: str) -> Iterator[str]:
    for n, line in enumerate(wrapped(value, COLUMNS - 21)):
        yield f"{'' if n else name:<21}{line}"


def _track_lines(sheet: PqSheet, track: PqTrack) -> Iterator[str]:
    for n, line in enumerate(wrapped(shown(track.title), COLUMNS - 5)):
        yield f"{'' if n else f'{track.number:02d}':<5}{line}"
    for line in wrapped(performer_shown(sheet, track), COLUMNS - 5):
        yield f"{'':<5}{line}"
    for n, row in enumerate(point_rows(sheet, track)):
        codes = ("", "") if n else (track.isrc_shown, track.flags)
        times = (row.index, row.image_time, row.disc_time, row.length, row.pause)
        yield _TABLE.format("", *codes, *times)


def cells(text: str) -> int:
    """Count the columns that a text takes in a fixed font (Unicode Standard Annex 11)."""
    return sum(_cells_of(sign) for sign in text)


def _cells_of(sign: str) -> int:
    if unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def wrapped(text: str, columns: int) -> list[str]:
    """Break a text into lines of no more columns than given: at spaces, and inside longer words.

    Returns
    -------
    list of str
        None for an empty text.
    """
    lines: list[str] = []
    line = ""
    for word in text.split():
        longer = f"{line} {word}" if line else word
        if cells(longer) <= columns:
            line = longer
            continue
        if line:
            lines.append(line)
        line = ""
        for letter in clusters(word):
            if line and cells(line + letter) > columns:
                lines.append(line)
                line = ""
            line += letter
    return [*lines, line] if line else lines
