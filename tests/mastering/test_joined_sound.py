"""Tracks joined to passages: overlaps and segues against sums worked out plainly in numpy, and the
disc's image against the download files (design, promise 1).

An equal-power crossfade is a quarter of a sine up and its mirror down (common practice, no source).
"""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

from assembler import build, check, load, verify
from assembler.mastering import passage
from assembler.mastering.passage import RenderedPassage, prepare, with_gain

HEAD = "release: {artist: A, title: B, catalogue_number: J}\n"
SOUNDS_S = (8.31, 9.1, 5.7131, 6.2)


def noise(seconds: float, rate_hz: int, seed: int, level: float = 0.1) -> NDArray[np.float64]:
    """Two channels of noise below 5 kHz, swelling."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    white = np.random.default_rng(seed).normal(0, level, (len(t), 2))
    smooth = np.apply_along_axis(lambda x: np.convolve(x, np.hanning(24) / 8, "same"), 0, white)
    return smooth * (0.6 + 0.4 * np.sin(2 * np.pi * 0.3 * t + seed))[:, None]


def write(path: Path, seconds: float, rate_hz: int, seed: int, bits: int = 24) -> None:
    soundfile.write(path, noise(seconds, rate_hz, seed), rate_hz, subtype=f"PCM_{bits}")


def source(folder: Path, joins: Sequence[str], rate_hz: int = 44100) -> Path:
    """Write recordings, and a manifest of tracks with more keys each."""
    lines = [HEAD, "level: {match: none}\n", "tracks:\n"]
    for number, join in enumerate(joins):
        write(folder / f"{number}.wav", SOUNDS_S[number], rate_hz, number)
        lines.append(f"- {{title: T{number}, audio: {number}.wav{join and ', ' + join}}}\n")
    path = folder / "songs.yaml"
    path.write_text("".join(lines), encoding="utf-8")
    return path


def passage_of(folder: Path, joins: Sequence[str], rate_hz: int = 44100) -> RenderedPassage:
    report = check(load(source(folder, joins, rate_hz)))
    assert report.ok, report.findings
    (passage,) = report.discs[0].passages
    return prepare(passage, report.sections, rate_hz, folder / "rendered")


def joined(made: RenderedPassage, gains_db: Sequence[float]) -> NDArray[np.float32]:
    return np.concatenate(list(with_gain(made, gains_db)))


def read(path: Path, dtype: str = "float64") -> NDArray[np.float64]:
    return soundfile.read(str(path), dtype=dtype, always_2d=True)[0]


def sum_by_hand(
    sounds: Sequence[NDArray[np.float64]], overlaps: Sequence[int], gains_db: Sequence[float]
) -> NDArray[np.float64]:
    """Fade each sound, give it its gain, add it where it begins."""
    total = np.zeros((sum(map(len, sounds)) - sum(overlaps), 2))
    end = 0
    for i, sound in enumerate(sounds):
        gain = np.full(len(sound), 10 ** (gains_db[i] / 20))
        if together := overlaps[i]:
            gain[:together] *= np.sin(np.pi / 2 * np.arange(together) / together)
        if together := (*overlaps[1:], 0)[i]:
            gain[-together:] *= np.sin(np.pi / 2 * np.arange(together) / together)[::-1]
        start = end - overlaps[i]
        end = start + len(sound)
        total[start:end] += sound * gain[:, None]
    return total


@pytest.mark.thorough
@pytest.mark.parametrize("rate_hz", [44100, 48000, 96000])
@pytest.mark.parametrize("block", [1 << 17, 4999])
def test_an_overlap_is_the_sum_of_faded_sounds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rate_hz: int, block: int
) -> None:
    monkeypatch.setattr(passage, "BLOCK_FRAMES", block)
    made = passage_of(tmp_path, ["", "overlap: 3.5", "overlap: 1.2345", "overlap: 0.01"], rate_hz)
    sounds = [read(tmp_path / f"{n}.wav") for n in range(4)]
    overlaps = [0, *(round(s * rate_hz) for s in (3.5, 1.2345, 0.01))]
    assert made.overlaps == tuple(overlaps)
    gains_db = (-3.0, 2.5, 0.0, -6.0)
    expected = sum_by_hand(sounds, overlaps, gains_db)
    ours = joined(made, gains_db)
    assert ours.dtype == np.float32
    assert ours.shape == expected.shape
    assert np.abs(expected).max() > 0.1
    # Float32 carries 24 bits; four roundings of numbers below 0.5.
    assert np.abs(ours - expected).max() < 4 * 2.0**-26


def test_the_power_of_an_overlap_stays(tmp_path: Path) -> None:
    """Noises that have nothing in common: in the middle each is at -3.01 dB."""
    made = passage_of(tmp_path, ["", "overlap: 3.5"])
    each = [joined(made, gains) for gains in ((0.0, -200.0), (-200.0, 0.0))]
    both = joined(made, (0.0, 0.0))
    first, second = (read(tmp_path / f"{n}.wav") for n in range(2))
    middle = len(first) - round(1.75 * 44100)
    at_once = slice(middle - 2000, middle + 2000)
    assert np.abs(each[0] + each[1] - both).max() < 1e-6
    after = middle - len(first) + round(3.5 * 44100)
    for one, sound, place in ((each[0], first, middle), (each[1], second, after)):
        whole = sound[place - 2000 : place + 2000]
        ratio = np.mean(one[at_once].astype(np.float64) ** 2) / np.mean(whole**2)
        assert 10 * np.log10(ratio) == pytest.approx(-3.01, abs=0.02)


@pytest.mark.parametrize("rate_hz", [44100, 96000])
@pytest.mark.parametrize("block", [1 << 17, 4999])
def test_a_segue_at_gain_0_passes_bit_for_bit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, rate_hz: int, block: int
) -> None:
    monkeypatch.setattr(passage, "BLOCK_FRAMES", block)
    made = passage_of(tmp_path, ["", "gap: 0", "gap: 0"], rate_hz)
    sounds = [read(tmp_path / f"{n}.wav", "float32") for n in range(3)]
    np.testing.assert_array_equal(joined(made, (0.0, 0.0, 0.0)), np.concatenate(sounds))


def test_a_gain_moves_over_20_ms_in_a_segue_and_not_in_an_overlap(tmp_path: Path) -> None:
    made = passage_of(tmp_path, ["", "gap: 0", "overlap: 2", "gap: 0"])
    sounds = [read(tmp_path / f"{n}.wav") for n in range(4)]
    overlaps = [0, 0, 2 * 44100, 0]
    gains_db = (0.0, -6.0, 3.0, -1.0)
    flat = sum_by_hand(sounds, overlaps, gains_db)
    ours = joined(made, gains_db)
    edges = [len(sounds[0]), sum(map(len, sounds[:3])) - 2 * 44100]
    moved = np.zeros(len(flat), bool)
    for edge, (before, after), at in zip(edges, ((0.0, -6.0), (3.0, -1.0)), (0, 2), strict=True):
        moved[edge - 441 : edge + 441] = True
        there = np.arange(edge - 441, edge + 441)
        gain_db = before + (after - before) * (there - edge + 441) / 882
        plain = np.concatenate((sounds[at][-441:], sounds[at + 1][:441]))
        expected = plain * (10 ** (gain_db / 20))[:, None]
        assert np.abs(ours[there] - expected).max() < 1e-6
    assert np.abs(ours[~moved] - flat[~moved]).max() < 4 * 2.0**-26


MANIFEST = """\
level: MATCH
disc: {tail: 1.511, pregap_audio: 3.wav, gap: 1.3}
download: {formats: [FORMAT]}
tracks:
- {title: One, audio: 0.wav, gap: 2.2}
- {title: Two, audio: 1.wav, overlap: 2.34}
- {title: Three, audio: 2.wav, gap: 0, indexes: [1.5, 3]}
- {title: Four, audio: 0.wav, start: 0.5}
- {title: Five, audio: 3.wav, disc: 2, gap: 3}
- {title: Six, audio: 1.wav, start: 1.01, overlap: 1.5}
- {title: Seven, audio: 2.wav, gap: 0.05}
"""
DISCS = {1: 4, 2: 3}
"""Tracks of each disc."""


def built(
    folder: Path,
    rates_hz: Sequence[int],
    formats: str,
    match: str,
    sounds_s: Sequence[float] = SOUNDS_S,
) -> Path:
    for number, rate_hz in enumerate(rates_hz):
        write(folder / f"{number}.wav", sounds_s[number], rate_hz, number)
    path = folder / "songs.yaml"
    text = MANIFEST.replace("FORMAT", formats).replace("MATCH", match)
    path.write_text(HEAD + text, encoding="utf-8")
    release = build(load(path), folder / "out", only=["disc", "download"]).release_dir
    report = verify(release)
    assert report.ok, report.findings
    return release


def starts_of(path: Path) -> dict[int, list[int]]:
    """Frames at which each disc's tracks begin, and at which it ends."""
    report = check(load(path))
    return {d.number: [*(p.start_frame for p in d.places), d.frames] for d in report.discs}


@pytest.mark.thorough
def test_download_files_in_a_row_are_the_image(tmp_path: Path) -> None:
    folder = built(tmp_path, [44100] * 4, "flac-16, wav-16", "{match: track, target: -22}")
    starts = starts_of(tmp_path / "songs.yaml")
    for disc, count in DISCS.items():
        image = read(folder / "disc" / f"J-{disc}.wav", "int16")
        assert len(image) == starts[disc][-1] * 588
        for name in ("flac-16", "wav-16"):
            files = sorted((folder / "download" / name).glob(f"{disc}-*"))
            assert len(files) == count
            parts = [read(path, "int16") for path in files]
            first = starts[disc][0] * 588
            np.testing.assert_array_equal(np.concatenate(parts), image[first:])
            lengths = [b - a for a, b in pairwise(starts[disc])]
            assert [len(part) for part in parts] == [588 * length for length in lengths]
    hidden = read(folder / "disc" / "J-1.wav", "int16")[: starts[1][0] * 588]
    assert 0 <= starts[1][0] * 588 - round((6.2 + 2.2) * 44100) < 588
    assert hidden[: 6 * 44100].any(axis=1).mean() > 0.9
    assert not hidden[-round(2.2 * 44100) :].any()
    tail = read(folder / "disc" / "J-2.wav", "int16")[-round(1.511 * 44100) :]
    assert not tail.any()


@pytest.mark.thorough
@pytest.mark.parametrize("rates_hz", [(48000,) * 4, (96000,) * 4, (48000, 96000, 44100, 88200)])
def test_files_at_other_rates_are_cut_at_the_same_place(
    tmp_path: Path, rates_hz: tuple[int, ...]
) -> None:
    """Each file is as many frames long as its track on the disc; converted by soxr, each passage
    is the image's. All times are whole at every rate: multiples of 1/300 s."""
    sounds_s = (8.31, 9.1, 5.71, 6.2)
    folder = built(tmp_path, rates_hz, "wav-24", "{match: none}", sounds_s)
    for disc, starts in starts_of(tmp_path / "songs.yaml").items():
        files = sorted((folder / "download" / "wav-24").glob(f"{disc}-*"))
        image = read(folder / "disc" / f"J-{disc}.wav")
        for path, (start, end) in zip(files, pairwise(starts), strict=True):
            rate_hz = soundfile.info(str(path)).samplerate
            sound = read(path)
            assert Fraction(len(sound), rate_hz) == Fraction(end - start, 75)
            there = image[start * 588 : end * 588]
            again = soxr.resample(sound, rate_hz, 44100, quality="VHQ")
            inside = slice(400, -400)  # the filter's reach beyond the cuts
            difference = again[: len(there)][inside] - there[inside]
            assert np.sqrt(np.mean(there**2)) > 0.01
            # 16-bit PCM with TPDF dither: half a step (-96.3 dB) of noise.
            assert np.sqrt(np.mean(difference**2)) < 1.5 * 0.5 / 32768
