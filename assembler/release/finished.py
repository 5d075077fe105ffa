"""A finished release, opened to be held against itself."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.disc.cue import disc_stem
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import Manifest, load
from assembler.manifest.times import shorten
from assembler.release.release_folder import MANIFEST, REPORT
from assembler.sequence import DiscOrder, Passage, TrackPlace
from assembler.words import TrackWords, track_words


@dataclass(frozen=True)
class FinishedRelease:
    """A release's folder, the manifest that lies in it, and its report."""

    folder: Path
    manifest: Manifest
    report: dict[str, Any]

    @property
    def tracks(self) -> list[dict[str, Any]]:
        """What the report says of each track, in the manifest's order."""
        return list(self.report["tracks"])

    @property
    def words(self) -> tuple[TrackWords, ...]:
        """The words of every track, from the manifest and the report's running order."""
        return track_words(self.manifest, self.discs)

    @property
    def discs(self) -> tuple[DiscOrder, ...]:
        """The report's running order: each disc's tracks and length are all that words need."""
        numbers = dict.fromkeys(track["disc_number"] for track in self.tracks)
        return tuple(DiscOrder(n, (self._passage(n),), 0, self._frames(n)) for n in numbers)

    def _frames(self, disc_number: int) -> int:
        """Return the length of a disc, whether it was made or not."""
        _, last = self.tracks_of(disc_number)[-1]
        return int(last["start_frame"] + last["file_frames"])

    def _passage(self, disc_number: int) -> Passage:
        """Give a disc's tracks as one passage: their places are all that words need."""
        places = tuple(
            TrackPlace(
                index,
                track["number"],
                track["gap_frames"],
                track["start_frame"],
                track["start_frame"] + track["frames"],
            )
            for index, track in self.tracks_of(disc_number)
        )
        return Passage(places, 0, 0)

    def tracks_of(self, disc_number: int) -> list[tuple[int, dict[str, Any]]]:
        """Give a disc's tracks, each with its place in the manifest."""
        return [
            (index, track)
            for index, track in enumerate(self.tracks)
            if track["disc_number"] == disc_number
        ]

    def disc_file(self, number: int, suffix: str) -> str:
        """Give the path inside the release of a disc's file."""
        stem = disc_stem(str(self.report["name"]), number, len(self.report["discs"]))
        return f"disc/{stem}{suffix}"


def open_finished(folder: Path) -> FinishedRelease:
    """Open a finished release.

    Raises
    ------
    AssemblerError
        Its report can't be read or is no report of a build.
    """
    try:
        report = json.loads((folder / REPORT).read_text(encoding="utf-8"))
        release = FinishedRelease(folder, load(folder / MANIFEST).manifest, report)
        complete = {"name", "discs", "tracks", "level", "formats"} <= set(report)
    except (OSError, ValueError, TypeError) as error:
        raise AssemblerError(
            f"{folder / REPORT}: can't be read: build the release again"
        ) from error
    if not complete:
        raise AssemblerError(f"{folder / REPORT}: is no report of a build: build the release again")
    return release


class UnreadableError(AssemblerError):
    """A file of a release that can't be read.

    Attributes
    ----------
    name
        Its path inside the release.
    reason
        What is wrong with it.
    """

    def __init__(self, name: str, reason: str) -> None:
        super().__init__(f"{name}: {reason}")
        self.name = name
        self.reason = reason


@contextmanager
def reading(name: str) -> Iterator[None]:
    """Name the file that is being read in whatever error that raises."""
    try:
        yield
    except UnreadableError:
        raise
    except AssemblerError as error:
        raise UnreadableError(name, str(error).removeprefix(f"{name}: ")) from error
    except Exception as error:  # whatever a reader raises at a damaged file
        why = getattr(error, "error_string", None) or getattr(error, "strerror", None) or error
        raise UnreadableError(name, f"can't be read: {shorten(str(why), 200)}") from error


def disagreement(code: str, name: str, message: str) -> Finding:
    """Make a finding about a file of the release."""
    return Finding("error", code, name, name, 0, message)
