"""Compare two finished releases: what differs, and a null test of the audio."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.compare.audio import (
    IMAGE,
    AudioTest,
    audio_differences,
    audio_tests,
)
from assembler.compare.both import Both, Digests, Pair, match_tracks
from assembler.compare.difference import Difference, merged
from assembler.compare.files import made_differences, other_files, tag_differences
from assembler.compare.manifests import (
    finding_differences,
    order_differences,
    release_differences,
    track_differences,
)
from assembler.digest import file_digest
from assembler.finished.finished import open_finished
from assembler.finished.release_folder import CHECKSUMS, release_files
from assembler.workers import own_workers


@dataclass(frozen=True)
class Comparison:
    """The differences between two finished releases.

    Attributes
    ----------
    a, b
        Their folders, before and after.
    differences
        All of them; what several tracks share stands there once.
    proofs
        What was compared, and how much of it is the same.
    tracks, same_tracks
        Number of tracks in both whose audio was compared, and of those whose audio is the same.
    """

    a: Path
    b: Path
    differences: tuple[Difference, ...]
    proofs: tuple[str, ...]
    tracks: int
    same_tracks: int

    @property
    def all_audio_same(self) -> bool:
        """There are tracks in both, and all their audio is the same, and that before track 1."""
        differs = any(difference.code == "sound" for difference in self.differences)
        return self.same_tracks == self.tracks > 0 and not differs

    @property
    def verdict(self) -> str:
        """The result in one line."""
        if self.all_audio_same:
            return f"{'' if self.differences else 'no differences; '}all audio nulls"
        if not self.tracks:
            return "no audio could be compared" if self.differences else "no differences"
        return f"{self.same_tracks} of {self.tracks} tracks null; see the differences above"

    def as_json(self) -> dict[str, Any]:
        """Return plain data for ``--json``."""
        return {
            "ok": True,
            "a": str(self.a),
            "b": str(self.b),
            "identical": not self.differences,
            "differences": [difference.as_json() for difference in self.differences],
            "verdict": self.verdict,
            "tracks": self.tracks,
            "same_tracks": self.same_tracks,
            "proofs": list(self.proofs),
        }


def compare(a: Path, b: Path, *, jobs: int | None = None) -> Comparison:
    """Compare two finished releases.

    Parameters
    ----------
    a, b
        Their folders, before and after.
    jobs
        Number of files read in parallel; default: one per core.

    Raises
    ------
    AssemblerError
        A folder is not a release, or one of its files can't be read.
    """
    releases = open_finished(a), open_finished(b)
    with own_workers(jobs) as pool:
        digests = _digests(a, pool), _digests(b, pool)
        both = Both(*releases, tuple(match_tracks(*releases)), digests)
        tests = list(pool.map(lambda test: test(), audio_tests(both)))
    found = merged(_differences(both, tests)) or tuple(_record_differences(both))
    same = _same_audio(tests)
    return Comparison(a, b, found, tuple(_proofs(both, tests)), len(same), sum(same.values()))


def _digests(folder: Path, pool: Executor) -> Digests:
    names = [*release_files(folder), CHECKSUMS]
    present = [name for name in names if (folder / name).is_file()]
    digests = pool.map(lambda name: file_digest(folder / name), present)
    return dict(zip(present, digests, strict=True))


def _differences(both: Both, tests: Sequence[AudioTest]) -> Iterator[Difference]:
    yield from release_differences(both)
    yield from made_differences(both)
    yield from order_differences(both)
    yield from track_differences(both)
    yield from audio_differences(both, tests)
    yield from tag_differences(both)
    yield from finding_differences(both)
    yield from other_files(both)


def _record_differences(both: Both) -> Iterator[Difference]:
    """List report, manifest and checksums that differ in their wording alone."""
    if names := both.differing_names():
        text = f"{', '.join(names)}: other wording, same content"
        yield Difference("files", "", text, files=tuple(names))


def _same_audio(tests: Sequence[AudioTest]) -> dict[Pair, bool]:
    """Return whether each track's audio is the same: the lossless audio, else the lossy."""
    same: dict[Pair, bool] = {}
    lossless = [test for test in tests if not test.lossy]
    for test in lossless or tests:
        if test.pair:
            same[test.pair] = same.get(test.pair, True) and test.same
    return same


def _proofs(both: Both, tests: Sequence[AudioTest]) -> Iterator[str]:
    """Return what was compared, by deliverable."""
    of_tracks = [test for test in tests if test.pair]
    for name in dict.fromkeys(test.deliverable for test in of_tracks):
        compared = [test for test in of_tracks if test.deliverable == name]
        same = sum(test.same for test in compared)
        counts = f"{'disc image' if name == IMAGE else name}: {_tracks(len(compared))}"
        if compared[0].lossy:
            yield f"{counts}; {same} with identical audio"
        else:
            samples = sum(test.samples for test in compared)
            yield f"{counts}, {samples:,} samples per channel; {_tracks(same)} null"
    shared = both.digests[0].keys() & both.digests[1].keys()
    same = sum(both.same_file(name, name) for name in shared)
    yield f"all files: {len(shared)} with the same name; {same} identical"


def _tracks(count: int) -> str:
    return f"{count} track{'s' * (count != 1)}"
