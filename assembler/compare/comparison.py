"""Compare two finished releases: what an edit changed, and proof that it changed nothing else."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.audio.digest import file_digest
from assembler.compare.files import (
    DISC,
    CodedPair,
    Digests,
    SoundTask,
    coded_pair,
    common_formats,
    cover_differences,
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
from assembler.compare.sound import SoundDifference
from assembler.compare.tracks import Pair, match_tracks
from assembler.compare.words import Difference, from_to, merged
from assembler.download.formats import FACTS
from assembler.finished.finished import FinishedRelease, open_finished
from assembler.finished.release_folder import CHECKSUMS, release_files
from assembler.manifest.model import Format
from assembler.workers import own_workers


@dataclass(frozen=True)
class Comparison:
    """What is between two finished releases.

    Attributes
    ----------
    a, b
        Their folders, before and after.
    differences
        All of them; what is told of several tracks alike stands there once.
    proofs
        What was held against each other, and how much of it is the same.
    sound_compared
        Both hold lossless sound that could be compared.
    tracks
        Tracks that are in both and whose sound, lossless or lossy, was compared.
    same_tracks
        Those of them whose sound is the same wherever it was compared.
    """

    a: Path
    b: Path
    differences: tuple[Difference, ...]
    proofs: tuple[str, ...]
    sound_compared: bool
    tracks: int
    same_tracks: int

    @property
    def all_else_same(self) -> bool:
        """There are tracks in both, and the sound of none of them differs."""
        return self.same_tracks == self.tracks > 0

    @property
    def verdict(self) -> str:
        """Say what is true of all that is not told as a difference."""
        same = "identical to the sample" if self.sound_compared else "the same"
        if not self.differences:
            return f"everything {same}"
        if self.all_else_same:
            return f"everything else {same}"
        if not self.tracks:
            return "the differences are listed above; no track's sound could be compared"
        if not self.same_tracks:
            return f"no track is {same}: the differences are listed above"
        counted = f"{self.same_tracks} of {self.tracks} tracks {same}"
        return f"{counted}; how the others differ is listed above"

    def as_json(self) -> dict[str, Any]:
        """Give the comparison as plain data for ``--json``."""
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
    """Tell the differences between two finished releases.

    Parameters
    ----------
    a, b
        Their folders, before and after.
    jobs
        How many files are read side by side; as many as there are cores if not given.

    Raises
    ------
    AssemblerError
        A folder is no release, or one of its files can't be read.
    """
    releases = open_finished(a), open_finished(b)
    both = Both(*releases, tuple(match_tracks(*releases)))
    with own_workers(jobs) as pool:
        digests = _digests(a, pool), _digests(b, pool)
        tasks = list(sound_tasks(both, digests))
        found = list(zip(tasks, pool.map(SoundTask.compared, tasks), strict=True))
        files = list(_other_bytes(both, digests))
        coded = list(pool.map(lambda file: coded_pair(both, *file), files))
    differences = merged(_differences(both, digests, found, coded))
    return Comparison(
        a,
        b,
        differences or tuple(_accounts(digests)),
        tuple(_proofs(both, digests, found, coded)),
        any(difference is not None for _, difference in found),
        *_same_tracks(both, found, coded),
    )


def _same_tracks(
    both: Both,
    found: Sequence[tuple[SoundTask, SoundDifference | None]],
    coded: Sequence[CodedPair],
) -> tuple[int, int]:
    """Count the tracks whose sound was compared, and those of them where all of it is the same."""
    heard: dict[Pair, bool] = {}
    for task, difference in found:
        if task.pair is not None:
            same = difference is not None and difference.identical
            heard[task.pair] = heard.get(task.pair, True) and same
    if not heard and any(FACTS[name].lossy for name in common_formats(both)):
        other = {one.pair for one in coded if one.same_sound is False}
        heard = {pair: pair not in other for pair in both.pairs}
    return len(heard), sum(heard.values())


def _digests(folder: Path, pool: Executor) -> Digests:
    names = [*release_files(folder), CHECKSUMS]
    there = [name for name in names if (folder / name).is_file()]
    return dict(zip(there, pool.map(lambda name: file_digest(folder / name), there), strict=True))


def _other_bytes(both: Both, digests: tuple[Digests, Digests]) -> Iterator[tuple[Pair, Format]]:
    """List the tracks' files that are not the same bytes in both."""
    for name in common_formats(both):
        for pair in both.pairs:
            ends = ((both.a, pair.a), (both.b, pair.b))
            files = [release.track_file(name, release.tracks[i]) for release, i in ends]
            if digests[0].get(files[0]) != digests[1].get(files[1]):
                yield pair, name


def _differences(
    both: Both,
    digests: tuple[Digests, Digests],
    found: Sequence[tuple[SoundTask, SoundDifference | None]],
    coded: Sequence[CodedPair],
) -> Iterator[Difference]:
    retagged = {pair: _retagged(both, pair, found, coded) for pair in both.pairs}
    yield from _versions(both)
    yield from release_differences(both)
    yield from room_differences(both)
    yield from cover_differences(both, digests)
    yield from order_differences(both)
    yield from track_differences(both, retagged)
    yield from sound_differences(both, found)
    yield from lossy_differences(both, coded, found)
    yield from tag_differences(both, coded)
    yield from finding_differences(both)
    yield from other_files(both, digests)


def _retagged(
    both: Both,
    pair: Pair,
    found: Iterable[tuple[SoundTask, SoundDifference | None]],
    coded: Iterable[CodedPair],
) -> str:
    """Say of a track with other words that its sound is the same, where it is."""
    lossless = [told is not None and told.identical for task, told in found if task.pair == pair]
    lossy = [one.same_sound is not False for one in coded if one.pair == pair]
    formats = common_formats(both)
    if not lossless and not formats:
        return ""
    tagged = "re-tagged, " if formats else ""
    if not all(lossless) or not (lossless or all(lossy)):
        return "; its sound is another too"
    return f"; {tagged}the {'' if all(lossy) else 'lossless '}sound identical"


def _versions(both: Both) -> Iterator[Difference]:
    old, new = (_made_with(release) for release in (both.a, both.b))
    for name in {**old, **new}:
        if old.get(name) != new.get(name):
            versions = from_to(old.get(name), new.get(name))
            yield Difference("version", f"made with {name} {versions}")


def _made_with(release: FinishedRelease) -> dict[str, str]:
    told = release.report["made_with"]
    method = {"method": str(told["method"])}
    return {"assembler": release.report["assembler"], **method, **told["packages"]}


def _accounts(digests: tuple[Digests, Digests]) -> Iterator[Difference]:
    """Name the files that tell of a release and differ, where nothing else does."""
    names = sorted(digests[0].keys() | digests[1].keys())
    names = [name for name in names if digests[0].get(name) != digests[1].get(name)]
    if names:
        told = f"written otherwise, asking for the same and telling the same: {', '.join(names)}"
        yield Difference("files", told, files=tuple(names))


def _tracks(count: int) -> str:
    return f"{count} track{'' if count == 1 else 's'}"


def _proofs(
    both: Both,
    digests: tuple[Digests, Digests],
    found: Sequence[tuple[SoundTask, SoundDifference | None]],
    coded: Sequence[CodedPair],
) -> Iterator[str]:
    """Say what was held against each other, by deliverable."""
    for what in dict.fromkeys(task.deliverable for task, _ in found):
        told = [one for task, one in found if task.deliverable == what and one is not None]
        samples = sum(one.samples for one in told)
        same = sum(one.identical for one in told)
        where = "the disc's image" if what == DISC else what
        parts = f"{_tracks(len(told))}, {samples:,} samples of each channel"
        yield f"{where}: {parts}; {_tracks(same)} identical to the sample"
    changed = Counter(one.name for one in coded)
    for name in common_formats(both):
        if FACTS[name].lossy:
            decoded = sum(one.name == name and bool(one.same_sound) for one in coded)
            tagged = f", {decoded} decode to the same samples" if decoded else ""
            same = len(both.pairs) - changed[name]
            yield f"{name}: {len(both.pairs)} files; {same} the same bytes{tagged}"
    shared = digests[0].keys() & digests[1].keys()
    same = sum(digests[0][name] == digests[1][name] for name in shared)
    yield f"all files: {len(shared)} of the same name in both; {same} the same bytes"
