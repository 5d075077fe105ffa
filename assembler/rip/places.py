"""Places on the disc as they are written in findings: track and time in the track."""

from __future__ import annotations

from dataclasses import dataclass

from assembler.finished.finished import FinishedRelease
from assembler.finished.report_form import DiscReport, TrackReport
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import frames_text


@dataclass(frozen=True)
class Disc:
    """One disc of a finished release.

    Attributes
    ----------
    report
        Its entry in the report.
    tracks
        Its tracks.
    barcode
        The release's.
    of_discs
        Number of discs of the release.
    """

    report: DiscReport
    tracks: tuple[TrackReport, ...]
    barcode: str | None
    of_discs: int

    @property
    def starts(self) -> list[int]:
        """Frame of each track's index 01."""
        return [track.start_frame for track in self.tracks]

    @property
    def name(self) -> str:
        """The disc's name in messages."""
        return f"disc {self.report.number}" if self.of_discs > 1 else "the disc"

    def span(self, index: int) -> tuple[int, int]:
        """Return first frame and end of a track, from its index 01 to the next track's."""
        ends = [*self.starts[1:], self.report.frames]
        return self.starts[index], ends[index]

    def place(self, frame: int) -> str:
        """Return a frame as track and time, counted from the track's index 01."""
        before = [track for track in self.tracks if track.start_frame <= frame]
        if not before:
            return f"before track 1, program time {frames_text(frame)}"
        track = before[-1]
        return f"track {track.number} at {frames_text(frame - track.start_frame)}"

    def place_of_sample(self, sample: int) -> str:
        """Return the frame of a sample as track and time."""
        return self.place(sample // SAMPLES_PER_FRAME)


def discs_of(release: FinishedRelease) -> list[Disc]:
    """Return the discs of a release."""
    reports, barcode = release.report.discs, release.report.release.barcode
    return [
        Disc(
            disc,
            tuple(track for _, track in release.tracks_of(disc.number)),
            barcode,
            len(reports),
        )
        for disc in reports
    ]
