"""A source that is replaced by another recording while a build runs: no deliverable, now or later,
has the other recording under the first one's name."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from long_runs import series

from assembler import AssemblerError, build, load, verify
from assembler.finished.release_folder import read_checksums
from assembler.release import building, inputs
from assembler.release.progress import Step

RATE_HZ = 8000
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-R}
level: {match: track, target: -20, ceiling: -1}
download: {formats: [flac-16]}
disc: {make: false}
transfers: {side a: {file: s.flac, restoration: {dc: remove}}}
tracks:
- {title: Low Lantern, audio: a.wav}
- {title: Tide Table, audio: b.wav, trim: 0}
- {title: Undertow, from: side a, start: 0:01}
"""
SOURCES = ("a.wav", "b.wav", "s.flac")


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A manifest, its recordings, and another recording of the same form for each."""
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    for n, name in enumerate((*SOURCES, *(f"other-{name}" for name in SOURCES))):
        noise = np.random.default_rng(n).normal(0.01, 0.1, (5 * RATE_HZ, 2))
        soundfile.write(tmp_path / name, noise, RATE_HZ, subtype="PCM_24")
        os.utime(tmp_path / name, (1_700_000_000, 1_700_000_000))
    (tmp_path / "T.yaml").write_text(MANIFEST, encoding="utf-8")
    return tmp_path


class Moments:
    """The moments of a build, counted: every step's beginning and end, and what lies between."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.act: Callable[[int], None] = lambda _: None
        self.count = 0
        for module, name in (
            (building, "inputs_of"), (inputs, "source_digest"), (building, "check"),
            (building, "plan_release"),
        ):  # fmt: skip
            patch.setattr(module, name, self._told(getattr(module, name)))

    def _told(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*args: Any, **kwargs: Any) -> Any:
            self.pass_one()
            result = function(*args, **kwargs)
            self.pass_one()
            return result

        return counted

    def pass_one(self, _: Step | None = None) -> None:
        number = self.count
        self.count += 1
        self.act(number)


@pytest.fixture
def moments(monkeypatch: pytest.MonkeyPatch) -> Moments:
    return Moments(monkeypatch)


def released(desk: Path, moments: Moments, store: str) -> dict[str, str]:
    """Build with a cache of this name; return the digests."""
    os.environ["ASSEMBLER_STORE"] = str(desk / store)  # put back after the test: see `desk`
    moments.count = 0
    report = build(load(desk / "T.yaml"), desk / "out", jobs=1, progress=moments.pass_one)
    assert verify(report.release_dir).ok
    return read_checksums(report.release_dir)


def exchange(desk: Path, name: str) -> None:
    """Exchange a recording and the other one, by renaming."""
    for old, new in ((name, "aside"), (f"other-{name}", name), ("aside", f"other-{name}")):
        (desk / old).rename(desk / new)


def exchange_contents(desk: Path, name: str) -> None:
    """Write each one's content over the other's, and put the time of change back."""
    one, other = desk / name, desk / f"other-{name}"
    contents = [other.read_bytes(), one.read_bytes()]
    for path, content in zip((one, other), contents, strict=True):
        with path.open("r+b") as file:
            file.write(content)
            file.truncate()
        os.utime(path, (1_700_000_000, 1_700_000_000))


def some_of(count: int, case: int) -> range:
    """Return all moments, or in a short run every 24th, others for each case."""
    return range(5 * case % series(1, 24), count, series(1, 24))


CASES = [(exchange, "b.wav"), (exchange, "s.flac"), (exchange_contents, "b.wav")]


@pytest.mark.thorough
@pytest.mark.parametrize("case", range(len(CASES)))
def test_another_recording_is_never_kept_under_the_first_ones_name(
    desk: Path, moments: Moments, case: int
) -> None:
    swap, name = CASES[case]
    wanted = released(desk, moments, "undisturbed")
    count = moments.count
    swap(desk, name)
    of_other = released(desk, moments, "undisturbed")
    swap(desk, name)
    assert wanted != of_other
    refused = 0
    for moment in some_of(count, case):
        (desk / "out" / "TWE-R" / "report.json").touch()  # so that it is made again
        moments.act = lambda n, at=moment: swap(desk, name) if n == at else None
        try:
            got = released(desk, moments, f"store-{moment}")
        except AssemblerError as error:
            assert "has changed" in str(error), str(error)
            refused += 1
        else:
            assert got in (of_other, wanted)  # replaced before it was read, or after the end
        moments.act = lambda _: None
        swap(desk, name)
        assert released(desk, moments, f"store-{moment}") == wanted, moment
    assert refused


@pytest.mark.thorough
@pytest.mark.parametrize("name", ["b.wav", "s.flac"])
def test_a_recording_that_is_back_before_the_end_is_the_first_one_or_refused(
    desk: Path, moments: Moments, name: str
) -> None:
    wanted = released(desk, moments, "undisturbed")
    for moment in some_of(moments.count - 1, case=3):
        (desk / "out" / "TWE-R" / "report.json").touch()

        def swap(n: int, at: int = moment) -> None:
            if n in (at, at + 1):
                exchange_contents(desk, name)

        moments.act = swap
        try:
            assert released(desk, moments, f"store-{moment}") == wanted
        except AssemblerError as error:
            assert "has changed" in str(error), str(error)
        moments.act = lambda _: None
        assert released(desk, moments, f"store-{moment}") == wanted, moment
