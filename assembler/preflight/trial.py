"""What if: try a running order without some tracks or with other gaps, without writing it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import Any

from assembler.errors import AssemblerError
from assembler.preflight.check import CheckReport, disc_json
from assembler.preflight.sections import track_sounds
from assembler.sequence import DiscOrder, TrackSound, lay_out
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sequence.selection import LeftOutError, keep
from assembler.text import clock_text


@dataclass(frozen=True)
class Trial:
    """A running order that was tried."""

    without: tuple[int, ...]
    """Tracks left out, by their numbers in the manifest, from 1."""
    gap_s: Fraction | None
    """The gap tried between tracks; None for the manifest's gaps."""
    discs: tuple[DiscOrder, ...]
    """The order of the remaining tracks."""
    limit_frames: int
    """The plant's limit."""

    @property
    def fits(self) -> bool:
        """Every disc is within the limit."""
        return all(disc.frames <= self.limit_frames for disc in self.discs)

    def as_json(self) -> dict[str, Any]:
        """Return the trial as plain data for ``--json``."""
        return {
            "without": list(self.without),
            "gap_s": None if self.gap_s is None else float(self.gap_s),
            "fits": self.fits,
            "discs": [disc_json(disc, self.limit_frames) for disc in self.discs],
            "tracks": [
                {
                    "number": place.number,
                    "disc_number": disc.number,
                    "manifest_number": place.index + 1,
                    "start_frame": place.start_frame,
                    "frames": place.frames,
                    "gap_frames": place.gap_frames,
                }
                for disc in self.discs
                for place in disc.places
            ],
        }

    def __str__(self) -> str:
        parts = []
        if self.without:
            named = ", ".join(map(str, self.without))
            parts.append(f"without track{'s' * (len(self.without) > 1)} {named}")
        if self.gap_s is not None:
            parts.append(f"with gaps of {clock_text(self.gap_s)}")
        return "What if: " + " and ".join(parts)


def try_order(
    report: CheckReport, without: Sequence[int] = (), gap_s: Fraction | None = None
) -> Trial:
    """Lay out a checked release with other tracks or gaps.

    Parameters
    ----------
    report
        The check.
    without
        Tracks to leave out, by their numbers in the manifest.
    gap_s
        Gap between tracks in place of the manifest's; segues, overlaps and first gaps stay.

    Raises
    ------
    AssemblerError
        A source can't be used, there is no such track, or none is left.
    """
    count = len(report.source.manifest.tracks)
    if not report.sections:
        raise AssemblerError("the order can't be tried until every source is usable: see above")
    if beyond := [number for number in without if not 1 <= number <= count]:
        raise AssemblerError(f"--without {beyond[0]}: the tracks are 1 to {count}")
    manifest = report.source.manifest
    if off := [number for number in without if number - 1 not in report.primary.tracks]:
        raise AssemblerError(f"--without {off[0]}: the track is not on the disc")
    on_disc = report.primary.tracks
    kept = tuple(n for n, index in enumerate(on_disc) if index + 1 not in without)
    if not kept:
        raise AssemblerError("--without leaves no track: keep at least one")
    sounds = _with_gap(track_sounds(report.primary.manifest, report.primary.sections), gap_s)
    try:
        remaining = keep(sounds, kept)
    except LeftOutError as error:
        number = on_disc[error.index] + 1
        raise AssemblerError(f"--without {number}: {error}: leave out both") from error
    hidden = report.primary.hidden
    discs = lay_out(
        remaining,
        indices=[on_disc[n] for n in kept],
        hidden_samples=hidden.samples_at(DISC_RATE_HZ) if hidden else 0,
        tail_s=manifest.disc.tail,
    )
    return Trial(tuple(sorted(set(without))), gap_s, discs, manifest.disc.limit)


def _with_gap(sounds: Sequence[TrackSound], gap_s: Fraction | None) -> list[TrackSound]:
    """Return the tracks with the gap to try."""
    return [
        replace(sound, gap_s=gap_s) if gap_s is not None and _follows_a_gap(i, sound) else sound
        for i, sound in enumerate(sounds)
    ]


def _follows_a_gap(index: int, sound: TrackSound) -> bool:
    return index > 0 and sound.opens_disc is None and sound.gap_s > 0
