"""Compare two finished releases: what differs, and a null test of the audio."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.audio.digest import file_digest
from assembler.compare.difference import Difference, from_to, merged
from assembler.compare.files import (
    DISC,
    CodedPair,
    Digests,
    Found,
    SoundTask,
    coded_pair,
    common_formats,
    cover_differences,
    differing_names,
    lossy_differences,
    other_files,
    room_differences,
    sound_differences,
    sound_tasks,
    tag_differences,
)
from assembler.compare.manifests import (
    Both,
    finding_differences,
    order_differences,
    release_differences,
    track_differences,
)
from assembler.compare.tracks import Pair, match_tracks
from assembler.download.formats import FACTS
from assembler.finished.finished import FinishedRelease, open_finished
from assembler.finished.release_folder import CHECKSUMS, release_files
from assembler.manifest.model import Format
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
    null_tested
        Both have lossless audio that could be compared.
    tracks
        Number of tracks in both whose audio, lossless or lossy, was compared.
    same_tracks
        Number of those whose audio is the same wherever it was compared.
    """

    a: Path
    b: Path
    differences: tuple[Difference, ...]
    proofs: tuple[str, ...]
    null_tested: bool
    tracks: int
    same_tracks: int

    @property
    def all_audio_same(self) -> bool:
        """There are tracks in both, and all their audio is the same."""
        return self.same_tracks == self.tracks > 0

    @property
    def verdict(self) -> str:
        """The result in one line."""
        nulls, null = ("nulls", "null") if self.null_tested else ("is the same", "are the same")
        if self.all_audio_same:
            first = "" if self.differences else "no differences; "
            return f"{first}all audio {nulls}"
        if not self.tracks:
            return "no audio could be compared" if self.differences else "no differences"
        return f"{self.same_tracks} of {self.tracks} tracks {null}; see the differences above"

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
    both = Both(*releases, tuple(match_tracks(*releases)))
    with own_workers(jobs) as pool:
        digests = _digests(a, pool), _digests(b, pool)
        tasks = list(sound_tasks(both, digests))
        found = list(zip(tasks, pool.map(SoundTask.compared, tasks), strict=True))
        files = list(_differing_tracks(both, digests))
        coded = list(pool.map(lambda file: coded_pair(both, *file), files))
    differences = merged(_differences(both, digests, found, coded))
    return Comparison(
        a,
        b,
        differences or tuple(_record_differences(digests)),
        tuple(_proofs(both, digests, found, coded)),
        any(result is not None for _, result in found),
        *_same_tracks(both, found, coded),
    )


def _differences(
    both: Both, digests: tuple[Digests, Digests], found: Found, coded: Sequence[CodedPair]
) -> Iterator[Difference]:
    yield from _versions(both)
    yield from release_differences(both)
    yield from room_differences(both)
    yield from cover_differences(both, digests)
    yield from order_differences(both)
    yield from track_differences(both)
    yield from sound_differences(both, found)
    yield from lossy_differences(both, coded, found)
    yield from tag_differences(both, coded)
    yield from finding_differences(both)
    yield from other_files(both, digests)


def _same_tracks(both: Both, found: Found, coded: Sequence[CodedPair]) -> tuple[int, int]:
    """Count the tracks whose audio was compared, and those of them that are the same."""
    same: dict[Pair, bool] = {}
    for task, result in found:
        if task.pair is not None:
            nulls = result is not None and result.identical
            same[task.pair] = same.get(task.pair, True) and nulls
    if not same and any(FACTS[name].lossy for name in common_formats(both)):
        changed = {one.pair for one in coded if one.same_sound is False}
        same = {pair: pair not in changed for pair in both.pairs}
    return len(same), sum(same.values())


def _digests(folder: Path, pool: Executor) -> Digests:
    names = [*release_files(folder), CHECKSUMS]
    present = [name for name in names if (folder / name).is_file()]
    digests = pool.map(lambda name: file_digest(folder / name), present)
    return dict(zip(present, digests, strict=True))


def _differing_tracks(
    both: Both, digests: tuple[Digests, Digests]
) -> Iterator[tuple[Pair, Format]]:
    """List the tracks' files whose bytes differ."""
    for name in common_formats(both):
        for pair in both.pairs:
            ends = ((both.a, pair.a), (both.b, pair.b))
            files = [release.track_file(name, release.tracks[i]) for release, i in ends]
            if digests[0].get(files[0]) != digests[1].get(files[1]):
                yield pair, name


def _versions(both: Both) -> Iterator[Difference]:
    old, new = (_made_with(release) for release in (both.a, both.b))
    for name in {**old, **new}:
        if old.get(name) != new.get(name):
            text = from_to(old.get(name, ""), new.get(name, ""))
            yield Difference("version", f"made with {name}", text)


def _made_with(release: FinishedRelease) -> dict[str, str]:
    made_with = release.report.made_with
    method = {"method": str(made_with.method)}
    return {"assembler": release.report.assembler, **method, **made_with.packages}


def _record_differences(digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """List report, manifest and checksums that differ in their wording alone."""
    if names := differing_names(digests):
        text = f"{', '.join(names)}: other wording, same content"
        yield Difference("files", "", text, files=tuple(names))


def _proofs(
    both: Both, digests: tuple[Digests, Digests], found: Found, coded: Sequence[CodedPair]
) -> Iterator[str]:
    """Return what was compared, by deliverable."""
    for deliverable in dict.fromkeys(task.deliverable for task, _ in found):
        results = [one for task, one in found if task.deliverable == deliverable and one]
        samples, same = sum(one.samples for one in results), sum(one.identical for one in results)
        name = "disc image" if deliverable == DISC else deliverable
        yield (
            f"{name}: {_count(len(results), 'track')}, {samples:,} samples per channel; "
            f"{_count(same, 'track')} null"
        )
    changed = Counter(one.name for one in coded)
    for name in common_formats(both):
        if FACTS[name].lossy:
            decoded = sum(one.name == name and bool(one.same_sound) for one in coded)
            more = f", {decoded} with identical audio" if decoded else ""
            same = len(both.pairs) - changed[name]
            yield f"{name}: {_count(len(both.pairs), 'file')}; {same} identical{more}"
    shared = digests[0].keys() & digests[1].keys()
    same = sum(digests[0][name] == digests[1][name] for name in shared)
    yield f"all files: {len(shared)} with the same name; {same} identical"


def _count(count: int, what: str) -> str:
    return f"{count} {what}{'s' * (count != 1)}"
