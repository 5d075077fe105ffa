"""The demo's tape side has exactly the faults that its generator states.

Measured on the files with numpy alone, without the project's own meters. Expected values are in
`SIDE_TRUTH`; tolerances are the accuracy of each measurement.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from restoration.demo_truth import DEMO, side_truth

from assembler.draft.song_list import read_song_list
from assembler.manifest import load

pytestmark = pytest.mark.thorough
ROOT = Path(__file__).parents[2]
MANIFEST = ROOT / "manifests" / "net-loft-tape.yaml"
Sound = NDArray[np.float64]

LPC_ORDER = 32
CLICK_RATIO = 36.0
"""Ratio of a click's residual to the median around it; the rattle reaches 30."""


@dataclass(frozen=True)
class Side:
    """Both channels of the finished files, with their known faults."""

    sound: Sound
    rate: int
    truth: Any

    def part(self, start_s: float, end_s: float) -> Sound:
        return self.sound[round(start_s * self.rate) : round(end_s * self.rate)]

    @property
    def lead_in(self) -> Sound:
        return self.part(0, self.truth.songs[0].start_s - 0.1)

    @property
    def run_out(self) -> Sound:
        return self.part(self.truth.songs[-1].end_s + 2, len(self.sound) / self.rate)


@pytest.fixture(scope="module")
def side(net_loft_files: tuple[Path, Path]) -> Side:
    """Return the side as read from its files."""
    channels = []
    for path in net_loft_files:
        info = soundfile.info(path)
        assert (info.samplerate, info.channels, info.subtype) == (48000, 1, "PCM_24")
        channels.append(soundfile.read(path)[0])
    return Side(np.stack(channels, axis=1), 48000, side_truth())


def in_db(power: float) -> float:
    return 10 * float(np.log10(power))


def mean_power(sound: Sound) -> Sound:
    """Return the mean square of each channel about its own mean."""
    return np.var(sound, axis=0)


def hum_and_rest(sound: Sound, truth: Any, rate: int) -> tuple[Sound, Sound]:
    """Fit the hum's harmonics and an offset; return RMS levels (harmonic, channel) and the rest."""
    angle = 2 * np.pi * truth.hum_hz / rate * np.arange(len(sound))
    numbers = range(1, len(truth.hum_dbfs) + 1)
    waves = [wave(n * angle) for n in numbers for wave in (np.cos, np.sin)]
    basis = np.stack([np.ones(len(sound)), *waves], axis=1)
    size, *_ = np.linalg.lstsq(basis, sound, rcond=None)
    power = (size[1::2] ** 2 + size[2::2] ** 2) / 2
    return 10 * np.log10(power), sound - basis @ size


def band_levels(sound: Sound, rate: int, low_hz: float, high_hz: float, step_s: float) -> Sound:
    """Return the power in a band, both channels together, of each step; steps overlap by half."""
    size = round(2 * step_s * rate)
    frames = np.lib.stride_tricks.sliding_window_view(sound.sum(axis=1), size)[:: size // 2]
    hz = np.fft.rfftfreq(size, 1 / rate)
    inside = (hz >= low_hz) & (hz < high_hz)
    spectra = np.fft.rfft(frames * np.hanning(size), axis=1)[:, inside]
    return np.sum(np.abs(spectra) ** 2, axis=1)


def residual_ratio(sound: Sound, rate: int) -> Sound:
    """Return the prediction residual over the median of 50 ms around it (mono)."""
    size = rate // 2
    lags = np.abs(np.subtract.outer(np.arange(LPC_ORDER), np.arange(LPC_ORDER)))
    error = np.zeros(len(sound))
    for begin in range(0, len(sound), size):
        piece = sound[max(0, begin - LPC_ORDER) : begin + size]
        spectrum = np.fft.rfft(piece * np.hanning(len(piece)), 1 << 16)  # twice a piece and more
        autocorrelation = np.fft.irfft(np.abs(spectrum) ** 2)[: LPC_ORDER + 1]
        autocorrelation[0] *= 1 + 1e-9
        taps = np.linalg.solve(autocorrelation[lags], autocorrelation[1:])
        count = len(sound[begin : begin + size])
        error[begin : begin + size] = np.convolve(piece, [1, *-taps])[: len(piece)][-count:]
    blocks = np.abs(error[: len(error) // 2400 * 2400]).reshape(-1, 2400)
    return (blocks / np.median(blocks, axis=1, keepdims=True)).ravel()


def test_the_side_is_as_long_as_stated_and_not_clipped(side: Side) -> None:
    assert len(side.sound) == side.truth.length_samples
    assert 240 <= len(side.sound) / side.rate <= 300
    assert 0.5 < np.abs(side.sound).max() < 0.9


def test_songs_begin_and_end_where_stated(side: Side) -> None:
    step_s = 0.025
    levels = 10 * np.log10(band_levels(side.sound, side.rate, 110, 6000, step_s))
    # A median of nine steps removes clicks; at 3 dB above the noise, sound is as loud as the noise.
    smooth = np.median(np.lib.stride_tricks.sliding_window_view(np.pad(levels, 4), 9), axis=1)
    noise_db = np.median(smooth[: int(4 / step_s)])
    for song in side.truth.songs:
        around = slice(int((song.start_s - 0.9) / step_s), int((song.end_s + 0.9) / step_s))
        loud = np.flatnonzero(smooth[around] > noise_db + 3) + around.start
        assert loud[0] * step_s == pytest.approx(song.start_s, abs=0.12)
        assert loud[-1] * step_s == pytest.approx(song.end_s, abs=0.3)


def test_songs_differ_in_level_and_length_as_a_tape_does(side: Side) -> None:
    songs = side.truth.songs
    levels_db = [in_db(mean_power(side.part(s.start_s, s.end_s)).mean()) for s in songs]
    assert max(levels_db) - min(levels_db) > 12
    assert all(20 <= s.end_s - s.start_s <= 45 for s in songs)
    ends_s = [songs[0].end_s, songs[1].end_s, songs[2].end_s, side.truth.talk.end_s]
    ends_s += [songs[3].end_s, songs[4].end_s]
    begins_s = [songs[1].start_s, songs[2].start_s, side.truth.talk.start_s]
    begins_s += [s.start_s for s in songs[3:]]
    gaps_s = np.subtract(begins_s, ends_s)
    assert 1 <= gaps_s.min() < 1.5
    assert 4 < gaps_s.max() <= 5


def test_the_talk_is_quiet_and_the_hush_quieter(side: Side) -> None:
    noise_db = in_db(mean_power(side.lead_in).mean())
    quietest_db = min(
        in_db(mean_power(side.part(s.start_s, s.end_s)).mean()) for s in side.truth.songs
    )
    talk, hush = side.truth.talk, side.truth.hush
    talk_db = in_db(mean_power(side.part(talk.start_s, talk.end_s)).mean())
    hush_db = in_db(mean_power(side.part(hush.start_s, hush.end_s)).mean())
    assert noise_db + 6 < talk_db < quietest_db - 4
    assert noise_db + 0.5 < hush_db < noise_db + 4
    for before_s, after_s in ((hush.start_s - 2, hush.start_s), (hush.end_s, hush.end_s + 2)):
        assert in_db(mean_power(side.part(before_s, after_s)).mean()) > hush_db + 12


def test_the_left_channel_is_low_in_songs_and_noise(side: Side) -> None:
    noise = mean_power(side.lead_in)
    for song in side.truth.songs:
        left, right = mean_power(side.part(song.start_s, song.end_s)) - noise
        assert in_db(left / right) == pytest.approx(-side.truth.left_low_db, abs=0.1)
    left, right = noise
    assert in_db(left / right) == pytest.approx(-side.truth.left_low_db, abs=0.1)


def test_the_right_channel_is_late_and_of_the_same_polarity(side: Side) -> None:
    """Every frequency has equal weight (GCC-PHAT), from 1.5 to 9 kHz: below, the room differs."""
    size, finer = 1 << 16, 32
    together = np.zeros(size // 2 + 1, complex)
    for song in side.truth.songs:
        part = side.part(song.start_s, song.end_s)
        blocks = part[: len(part) // size * size].reshape(-1, size, 2) * np.hanning(size)[:, None]
        left, right = np.moveaxis(np.fft.rfft(blocks, axis=1), 2, 0)
        together += np.sum(np.conj(left) * right, axis=0)
    hz = np.fft.rfftfreq(size, 1 / side.rate)
    phase_only = np.where((hz > 1500) & (hz < 9000), together / np.abs(together), 0)
    correlation = np.fft.irfft(phase_only, size * finer)
    peak = int(np.argmax(np.abs(correlation)))
    assert correlation[peak] > 0
    low, top, high = correlation[peak - 1 : peak + 2]
    lag = peak + (low - high) / (2 * (low - 2 * top + high))
    assert lag / (finer * side.rate) * 1e6 == pytest.approx(side.truth.right_late_us, abs=1.0)


def test_the_hum_is_as_low_as_the_tape_is_slow(side: Side) -> None:
    size = len(side.sound)
    spectrum = np.abs(np.fft.rfft(side.sound.sum(axis=1) * np.hanning(size)))
    near = slice(int(49 * size / side.rate), int(51 * size / side.rate))
    peak = near.start + int(np.argmax(spectrum[near]))
    low, top, high = np.log(spectrum[peak - 1 : peak + 2])
    hum_hz = (peak + (low - high) / (2 * (low - 2 * top + high))) * side.rate / size
    assert hum_hz == pytest.approx(side.truth.hum_hz, abs=0.0005)
    assert hum_hz * side.truth.speed_factor == pytest.approx(50, abs=0.0005)
    assert side.truth.speed_factor == 1 / (1 - Fraction(8, 1000))
    assert side.truth.percent_slow == 0.8


def test_the_music_is_slow_with_the_hum(side: Side) -> None:
    """The reed that holds through the hush is an A of 110 Hz, tuned 2.5 cents either way."""
    part = side.part(side.truth.hush.start_s, side.truth.hush.end_s).sum(axis=1)
    size = 1 << 20
    spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), size)) ** 2
    hz = np.fft.rfftfreq(size, 1 / side.rate)
    heard_hz = []
    for number in (2, 4, 6, 8):
        near = (hz > number * 107) & (hz < number * 112)
        heard_hz.append(np.average(hz[near], weights=spectrum[near] ** 2) / number)
    assert np.mean(heard_hz) * side.truth.speed_factor == pytest.approx(110, abs=0.15)


def test_hum_noise_and_offset_have_the_stated_levels(side: Side) -> None:
    for part in (side.lead_in, side.run_out):
        hum_db, rest = hum_and_rest(part, side.truth, side.rate)
        assert hum_db[:, 1] == pytest.approx(side.truth.hum_dbfs, abs=1.0)
        assert hum_db[:, 0] == pytest.approx(
            np.subtract(side.truth.hum_dbfs, side.truth.left_low_db), abs=1.0
        )
        floor_db = 10 * np.log10(mean_power(rest))
        assert floor_db == pytest.approx(side.truth.floor_dbfs, abs=0.1)
        assert abs(np.corrcoef(rest.T)[0, 1]) < 0.02
    assert side.sound.mean(axis=0) == pytest.approx(side.truth.dc, abs=1e-4)


def test_the_noise_is_there_from_the_first_sample_to_the_last(side: Side) -> None:
    hundredth = side.sound[: len(side.sound) // 480 * 480].reshape(-1, 480, 2)
    expected = 10 ** (np.array(side.truth.floor_dbfs) / 20)
    assert (np.std(np.diff(hundredth, axis=1), axis=1) > 0.3 * expected).all()


def test_there_are_forty_clicks_at_the_stated_places_and_no_others(side: Side) -> None:
    assert len(side.truth.clicks) == 40
    for column, channel in enumerate(("left", "right")):
        stated = [c for c in side.truth.clicks if c.channel == channel]
        assert len(stated) > 10
        assert all(10 <= click.samples <= 40 for click in stated)
        struck = np.flatnonzero(residual_ratio(side.sound[:, column], side.rate) > CLICK_RATIO)
        groups = np.split(struck, np.flatnonzero(np.diff(struck) > 1000) + 1)
        assert len(groups) == len(stated)
        for group, click in zip(groups, stated, strict=True):
            assert click.start_sample <= group[0] <= click.start_sample + 3
            assert group[-1] < click.start_sample + click.samples + LPC_ORDER


def test_the_manifest_and_the_song_list_fit_the_side(side: Side) -> None:
    manifest = load(MANIFEST).manifest
    restoration = manifest.transfers["net-loft"].restoration
    assert restoration.speed == round(Fraction(100) * (side.truth.speed_factor - 1), 2)
    assert restoration.noise is not None
    assert restoration.noise.to < min(s.start_s for s in side.truth.songs)
    begins_s = [*(s.start_s for s in side.truth.songs[1:]), len(side.sound) / side.rate]
    for track, song, next_s in zip(manifest.tracks, side.truth.songs, begins_s, strict=True):
        assert track.side == "net-loft"
        assert track.start is not None
        assert track.end is not None
        assert song.start_s - 0.5 < track.start < song.start_s
        assert song.end_s + 0.5 < track.end < next_s
    listed = [song.title for song in read_song_list(DEMO / "net-loft-songs.txt").songs]
    assert [title.removesuffix(" (feat. Jorun Hald)") for title in listed] == [
        track.title for track in manifest.tracks
    ]
