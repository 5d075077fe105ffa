"""The PQ sheet: a disc's index points and codes for the pressing plant, and its plain text.

Its content: from memory of the trade, no published source. Absolute time: ECMA-130 and MMC (from
memory): it starts with the pause of track 1, so that after a pause of 2 s the first frame of the
image is at 00:02:00. ISRC with hyphens: ISRC Handbook. Barcode of thirteen digits: GS1 General
Specifications.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

from assembler.manifest.codes import ean13, isrc_text
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import FRAMES_PER_SECOND, date_text, frames_text, number_ranges
from assembler.typeset.plain_text import COLUMNS, wrapped

NAME = "PQ sheet"
MISSING = "not given"
NONE_ASSIGNED = "none assigned"
"""Printed for missing data, so that nothing goes to press unseen."""
NONE = "–"
SAMPLE_FORMAT = (
    f"{DISC_RATE_HZ:,} Hz, 16 bit, 2 channels, {FRAMES_PER_SECOND} frames/s of "
    f"{SAMPLES_PER_FRAME} samples"
)
FLAG_LEGEND = (
    f"DCP: digital copy permitted. PRE: recorded with pre-emphasis 50/15 µs. {NONE}: no flag set."
)
TABLE_HEADS = ("Index", "Program time", "Absolute time", "Length", "Pause")


@dataclass(frozen=True)
class PqTrack:
    """One track of the disc."""

    number: int
    title: str
    performer: str
    isrc: str | None
    copy_permitted: bool
    pre_emphasis: bool
    points: tuple[tuple[int, int], ...]
    """Index number and frame of the image; index 0 only if the pause is inside the image."""
    pause_frames: int
    """The pause before it, from index 00 to index 01."""
    frames: int
    """From index 01 to the end of the track."""

    @property
    def flags(self) -> str:
        """Its control flags as abbreviations."""
        flags = (("DCP", self.copy_permitted), ("PRE", self.pre_emphasis))
        return " ".join(name for name, is_set in flags if is_set) or NONE

    @property
    def isrc_shown(self) -> str:
        """Its ISRC with hyphens, or that none is assigned."""
        return isrc_text(self.isrc) if self.isrc else NONE_ASSIGNED


@dataclass(frozen=True)
class PqSheet:
    """The data of one disc's sheet."""

    artist: str
    title: str
    catalogue_number: str | None
    barcode: str | None
    label: str | None
    prepared_by: str | None
    master_date: str | None
    """ISO 8601 date, or None for a blank to fill in by hand."""
    disc_number: int
    of_discs: int
    tracks: tuple[PqTrack, ...]
    track_1_pause_frames: int
    """The pause before track 1, or before audio hidden there."""
    frames: int
    """Length of the image."""
    tail_frames: int
    """Silence at the end of the image."""
    files: tuple[tuple[str, str, str], ...]
    """Kind, name and SHA-256 of every file for the plant."""
    hidden_frames: int = 0
    """Frame of the image where track 1 begins, after hidden audio."""
    pause_in_image_frames: int = 0
    """The part of the track 1 pause that is inside the image."""

    @property
    def before_image_frames(self) -> int:
        """The part of the track 1 pause that is not in the image."""
        return self.track_1_pause_frames - self.pause_in_image_frames

    def absolute_frame(self, image_frame: int) -> int:
        """Return the absolute time, in frames, of a frame of the image."""
        return image_frame + self.before_image_frames

    @property
    def disc_text(self) -> str:
        """Number of the disc."""
        return f"Disc {self.disc_number} of {self.of_discs}"


class PointRow(NamedTuple):
    """The five columns of one index point; empty text where there is no value."""

    number: str
    program_time: str
    absolute_time: str
    length: str
    pause: str


def point_rows(sheet: PqSheet, track: PqTrack) -> tuple[PointRow, ...]:
    """Return the printed rows of a track's index points.

    Index 00 of the first track begins the disc; if its pause is not in the image, it has an
    absolute time and no program time.
    """
    points: list[tuple[int, int | None]] = list(track.points)
    if track == sheet.tracks[0] and points[0][0] != 0:
        points.insert(0, (0, None))
    return tuple(
        PointRow(
            f"{index:02d}",
            NONE if frame is None else frames_text(frame),
            frames_text(0 if frame is None else sheet.absolute_frame(frame)),
            frames_text(track.frames) if index == 1 else "",
            frames_text(track.pause_frames) if n == 0 else "",
        )
        for n, (index, frame) in enumerate(points)
    )


def shown(text: str | None) -> str:
    """Return a text on one line, or that it is not given."""
    return " ".join((text or "").split()) or MISSING


def release_facts(sheet: PqSheet) -> dict[str, str]:
    """Return names and values of the release; the value of a blank is empty."""
    return {
        "Catalogue number": shown(sheet.catalogue_number),
        "Title": shown(sheet.title),
        "Artist": shown(sheet.artist),
        "Barcode": ean13(sheet.barcode) if sheet.barcode else NONE_ASSIGNED,
        "Label": shown(sheet.label),
        "Prepared by": shown(sheet.prepared_by),
        "Master date": date_text(sheet.master_date) if sheet.master_date else "",
    }


def totals(sheet: PqSheet) -> dict[str, str]:
    """Return names and values of the disc's totals."""
    before = {"Audio before track 1": frames_text(sheet.hidden_frames)}
    return (before if sheet.hidden_frames else {}) | {
        "Tracks": str(len(sheet.tracks)),
        "Image length": frames_text(sheet.frames),
        "Lead-out (absolute)": frames_text(sheet.absolute_frame(sheet.frames)),
        "Track 1 pause": frames_text(sheet.track_1_pause_frames),
        "Total pauses": frames_text(sum(track.pause_frames for track in sheet.tracks)),
        "Silence at end": frames_text(sheet.tail_frames),
    }


def missing_facts(sheet: PqSheet) -> str:
    """Return one line that lists what is missing; empty if nothing is."""
    facts = release_facts(sheet).items()
    missing = [name.lower() for name, value in facts if value in (MISSING, NONE_ASSIGNED)]
    without_isrc = [track.number for track in sheet.tracks if not track.isrc]
    if without_isrc:
        tracks = "track" if len(without_isrc) == 1 else "tracks"
        missing.append(f"ISRC of {tracks} {number_ranges(without_isrc)}")
    return "; ".join(missing)


def time_legend(sheet: PqSheet) -> str:
    """Return the explanation of the sheet's times."""
    pause = frames_text(sheet.before_image_frames)
    return (
        "Times are mm:ss:ff. Program time counts from the first frame of the image; absolute time "
        f"from the end of the lead-in: absolute time = program time + {pause}. Program time "
        f"{NONE}: before the image. Pause: from index 00 to index 01; total pauses include the "
        "track 1 pause."
    )


def performer_shown(sheet: PqSheet, track: PqTrack) -> str:
    """Return a track's performer if it is not the release's artist; else nothing."""
    performer = " ".join(track.performer.split())
    return "" if performer == shown(sheet.artist) else performer


def pq_text(sheet: PqSheet) -> str:
    """Return the sheet as plain text for a fixed font: 100 columns, LF line ends.

    A title has a line of its own, so that the columns of numbers below it stay aligned in an
    editor that reverses right-to-left lines or draws wide letters in its own way.
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
    yield from _labelled("Missing", missing_facts(sheet) or "nothing")
    yield from ("", _RULE, _TABLE.format("No.", "Title / ISRC", "Flags", *TABLE_HEADS), _RULE)
    for n, track in enumerate(sheet.tracks):
        if n:
            yield ""
        yield from _track_lines(sheet, track)
    yield from (_RULE, "")
    for name, value in totals(sheet).items():
        yield from _labelled(name, value)
    yield ""
    for kind, name, sha256 in sheet.files:
        yield from _labelled(kind, shown(name))
        yield from _labelled("  SHA-256", sha256)
    yield ""
    yield from wrapped(FLAG_LEGEND, COLUMNS)
    yield from wrapped(time_legend(sheet), COLUMNS)
    for signer in ("Prepared by", "Checked by plant"):
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
        yield _TABLE.format("", *codes, *row)
