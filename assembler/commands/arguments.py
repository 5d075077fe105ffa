"""Arguments that several commands share, and the types of values."""

from __future__ import annotations

import argparse
from fractions import Fraction
from typing import Literal


def add_jobs(parser: argparse.ArgumentParser) -> None:
    """Add ``--jobs``."""
    parser.add_argument("--jobs", type=_job_count, metavar="N", help="default: one per core")


def add_sides(parser: argparse.ArgumentParser) -> None:
    """Add the sides to read."""
    parser.add_argument(
        "sides",
        nargs="+",
        metavar="SIDE",
        help="audio files, NAME-L and NAME-R being one side; or a manifest, alone or followed "
        "by names of its sides",
    )


def track_numbers(text: str) -> tuple[int, ...]:
    """Return track numbers written with commas between."""
    parts = text.split(",")
    if not all(part.strip().isdecimal() for part in parts):
        raise argparse.ArgumentTypeError("write track numbers with commas between, as in 7,12")
    return tuple(int(part) for part in parts)


def track_or_album(text: str) -> Literal["album"] | int:
    """Return a track number, or ``album``."""
    if text == "album":
        return "album"
    if not text.isdecimal() or len(text) > 6:
        raise argparse.ArgumentTypeError("write a track's number, or `album`")
    return int(text)


def row_and_track(text: str) -> tuple[int, int]:
    """Return the number of a table's row and of its track."""
    row, _, track = text.partition("=")
    if not all(part.strip().isdecimal() and len(part) < 7 for part in (row, track)):
        raise argparse.ArgumentTypeError("write the row and its track, as in 5=3")
    return int(row), int(track)


def seconds(text: str) -> Fraction:
    """Return a time in seconds, written as in a manifest."""
    from assembler.manifest.times import parse_seconds

    try:
        return parse_seconds(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _job_count(text: str) -> int:
    if not text.isdecimal() or not 1 <= int(text) <= 256:
        raise argparse.ArgumentTypeError("write a whole number from 1 to 256")
    return int(text)
