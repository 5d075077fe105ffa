"""The limiter against the obvious other ways: python tests/bench/limiter_choices.py [--plot FILE]

Not a test: prints tables. The other ways are written here, small; all see the same true peaks.
Needs Debian's singularity-music for its rows of real music, and matplotlib for the plots.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path

import numba
import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.ndimage import maximum_filter1d, uniform_filter1d

from assembler.dsp.blocks import Neighbours, Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.fades import fade_gain
from assembler.dsp.limiter import LOOK_AHEAD_S, limit
from assembler.dsp.meter import read_meter
from assembler.dsp.true_peak import AFTER, BEFORE, interval_peaks

MUSIC = Path("/usr/share/games/singularity/music")
PIECES = ("Advanced Simulacra", "Deprecation", "Enemy Unknown", "Media Threat", "Through Space")
RATE_HZ = 48_000
CEILING_DBTP = -1.0
FADE = RATE_HZ // 20
GainReduction = NDArray[np.float64]
_BLACKMAN_BINS = 1.727
"""Noise bandwidth of the Blackman window (Harris, Proc. IEEE 66, 1978)."""


@numba.njit
def _released(held: GainReduction, keep: float) -> GainReduction:
    """Follow rises at once and fall by a share a sample."""
    out = np.empty_like(held)
    level = 0.0
    for i in range(len(held)):
        level = max(held[i], level * keep)
        out[i] = level
    return out


@dataclass(frozen=True)
class Choice:
    """A way to limit: look-ahead, running means in it, and the time constant of its release."""

    name: str
    look_ahead_s: float
    means: int
    release_s: float

    def attenuation_db(self, samples: Samples) -> GainReduction:
        """Return the gain reduction of each sample."""
        around = Neighbours(BEFORE, AFTER, samples.shape[1])
        padded = np.concatenate([around.feed(samples), around.finish()[BEFORE + AFTER :]])
        ceiling = amplitude(CEILING_DBTP)
        peaks = interval_peaks(padded, RATE_HZ, ceiling)[: len(samples)].astype(np.float64)
        demand = 20 * np.log10(np.maximum(peaks / ceiling, 1.0))
        window = round(self.look_ahead_s * RATE_HZ)
        held = maximum_filter1d(demand, window + 1, origin=-(window // 2), mode="constant")
        smooth = _released(held, float(np.exp(-1 / (self.release_s * RATE_HZ))))
        for _ in range(self.means):
            size = window // self.means + 1
            smooth = uniform_filter1d(smooth, size, origin=(size - 1) // 2, mode="nearest")
        return smooth


class Ours(Choice):
    """The project's limiter."""

    def attenuation_db(self, samples: Samples) -> GainReduction:
        return np.concatenate([a for _, a in limit([samples], RATE_HZ, CEILING_DBTP)])


CHOICES = (
    Ours("ours", LOOK_AHEAD_S, 3, 0.0),
    Choice("at once, no look-ahead", 0.0, 0, 0.1),
    Choice("one mean, 100 ms", LOOK_AHEAD_S, 1, 0.1),
    Choice("three means, fast 60 ms", LOOK_AHEAD_S, 3, 0.06),
    Choice("three means, slow 500 ms", LOOK_AHEAD_S, 3, 0.5),
)
"""Look-aheads are multiples of two samples at 48 kHz, so that the windows above lie exactly."""


def stereo(wave: NDArray[np.float64]) -> Samples:
    """Return a wave on two channels."""
    return np.stack([wave, wave], 1).astype(np.float32)


def turned_down(samples: Samples, attenuation: GainReduction) -> NDArray[np.float64]:
    """Apply an attenuation."""
    return samples * (10 ** (-attenuation / 20))[:, None]


def over_ceiling_db(sound: NDArray[np.float64]) -> float:
    """Read by how much soxr's 16-times oversampling exceeds the ceiling."""
    wave = soxr.resample(sound, RATE_HZ, 16 * RATE_HZ, quality="VHQ")
    return float(20 * np.log10(np.abs(wave).max())) - CEILING_DBTP


def tones(parts: Sequence[tuple[float, float]], over_db: float) -> Samples:
    """Sines (Hz, share) for 12 s, whose peak sum is over the ceiling by so much."""
    times = np.arange(12 * RATE_HZ) / RATE_HZ
    wave = sum(share * np.sin(2 * np.pi * hz * times) for hz, share in parts)
    return stereo(wave * amplitude(CEILING_DBTP + over_db))


def distortion_db(
    choice: Choice, parts: Sequence[tuple[float, float]], over_db: float
) -> tuple[float, float]:
    """All that is not the tones, and its strongest line, against the strongest tone."""
    samples = tones(parts, over_db)
    sound = turned_down(samples, choice.attenuation_db(samples))[8 * RATE_HZ : 11 * RATE_HZ, 0]
    power = np.abs(np.fft.rfft(sound * np.blackman(len(sound)))) ** 2
    seconds = len(sound) // RATE_HZ
    fundamental = max(power[round(hz * seconds)] for hz, _ in parts)
    for hz, _ in (*parts, (0.0, 0.0)):
        power[max(0, round(hz * seconds) - 3) : round(hz * seconds) + 4] = 0.0
    rest = power.sum() / fundamental / _BLACKMAN_BINS
    return 10 * np.log10(rest + 1e-30), 10 * np.log10(power.max() / fundamental + 1e-30)


def hits(times_s: Sequence[float], length_s: float, over_db: float) -> tuple[Samples, int]:
    """Drum hits in a soft tone, and the last sample that is over the ceiling."""
    times = np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    hit = np.zeros(len(times))
    for begin_s in times_s:
        struck = np.maximum(times - begin_s, 0.0)
        hit += np.exp(-struck / 0.02) * np.sin(2 * np.pi * 180 * struck)
    hit *= amplitude(CEILING_DBTP + over_db) / np.abs(hit).max()
    samples = stereo(hit + 0.1 * np.sin(2 * np.pi * 440 * times))
    over = np.flatnonzero(np.abs(samples[:, 0]) > amplitude(CEILING_DBTP))
    return samples, int(over[-1])


def recovery(choice: Choice, count: int) -> tuple[float, float]:
    """Time in ms to come back within 0.5 dB after hits 6 dB over, and the dip of the tone then.

    The dip is the mean attenuation in dB from 50 to 500 ms after the last hit.
    """
    samples, last = hits([0.5 + 0.25 * i for i in range(count)], 3.5 + 0.25 * count, 6.0)
    attenuation = choice.attenuation_db(samples)
    deep = np.flatnonzero(attenuation[last:] > 0.5)
    after = attenuation[last + RATE_HZ // 20 : last + RATE_HZ // 2]
    return 1e3 * (deep[-1] + 1 if len(deep) else 0) / RATE_HZ, float(after.mean())


def spectrum_db(attenuation: GainReduction) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Energy spectrum of what the gain takes away; 0 dB is one second of all taken away."""
    taken = 1 - 10 ** (-attenuation / 20)
    power = np.abs(np.fft.rfft(taken * np.hanning(len(taken)))) ** 2
    energy = 2 * power / len(taken) / RATE_HZ
    return np.fft.rfftfreq(len(taken), 1 / RATE_HZ), 10 * np.log10(energy + 1e-30)


def energy_above_db(attenuation: GainReduction, hz: float) -> float:
    """Energy of the gain above a frequency, on the same scale."""
    place_hz, level_db = spectrum_db(attenuation)
    return float(10 * np.log10((10 ** (level_db[place_hz > hz] / 10)).sum() + 1e-30))


def music(piece: str, over_db: float) -> Samples:
    """Half a minute of a piece, raised so that its peak is over the ceiling by so much."""
    samples, rate_hz = soundfile.read(
        MUSIC / f"{piece}.ogg", start=60 * RATE_HZ, frames=30 * RATE_HZ, dtype="float32"
    )
    assert rate_hz == RATE_HZ
    places = np.arange(len(samples))
    faded = samples * (fade_gain(places, FADE) * fade_gain(places[::-1], FADE))[:, None]
    gain = amplitude(CEILING_DBTP + over_db) / np.abs(faded).max()
    return (faded * gain).astype(np.float32)


def music_figures(choice: Choice, pieces: Sequence[Samples]) -> list[float]:
    """Loudness lost, share limited over 3 dB, moving above 20 Hz, and over the ceiling; means."""
    rows = []
    for samples in pieces:
        attenuation = choice.attenuation_db(samples)
        sound = turned_down(samples, attenuation)
        before, after = (
            read_meter([s.astype(np.float32)], RATE_HZ).integrated_lufs for s in (samples, sound)
        )
        assert before is not None
        assert after is not None
        lines = np.fft.rfft(attenuation)
        lines[: 20 * len(attenuation) // RATE_HZ] = 0
        moving_db = np.fft.irfft(lines, len(attenuation)).std()
        share = 100 * (attenuation > 3).mean()
        rows.append([before - after, share, moving_db, over_ceiling_db(sound)])
    table = np.array(rows)
    return [*table[:, :3].mean(axis=0), table[:, 3].max()]


def table(title: str, columns: Sequence[str], row: Callable[[Choice], Sequence[float]]) -> None:
    """Print a table, one row a choice."""
    print(f"\n{title}\n{'':26s}" + "".join(f"{name:>13s}" for name in columns))
    for choice in CHOICES:
        print(f"{choice.name:26s}" + "".join(f"{value:13.2f}" for value in row(choice)))


def plot(file: Path) -> None:
    """Draw a lone drum hit and the spectra of the gain on it."""
    try:
        import matplotlib
    except ImportError:
        print("no plot: matplotlib is not installed")
        return
    matplotlib.use("Agg")
    from matplotlib import pyplot

    samples, _ = hits([0.5], 3.0, 6.0)
    figure, (wave, gain, spectrum) = pyplot.subplots(3, 1, figsize=(10, 14), dpi=90)
    times_ms = 1e3 * (np.arange(len(samples)) / RATE_HZ - 0.5)
    near = (times_ms > -20) & (times_ms < 180)
    ours = CHOICES[0].attenuation_db(samples)
    wave.plot(times_ms[near], samples[near, 0], color="0.7", label="in")
    wave.plot(times_ms[near], turned_down(samples, ours)[near, 0], label="out, ours", lw=0.9)
    for side in (-1, 1):
        wave.axhline(side * amplitude(CEILING_DBTP), color="tab:red", lw=0.7, ls="--")
    wave.set(title="A drum hit 6 dB over a ceiling of -1 dBTP", ylabel="amplitude")
    for choice in CHOICES:
        attenuation = choice.attenuation_db(samples)
        gain.plot(times_ms[near], -attenuation[near], label=choice.name)
        hz, level_db = spectrum_db(attenuation)
        bands = np.geomspace(10, RATE_HZ / 2, 100)
        tops = [level_db[(hz >= a) & (hz < b)].max(initial=-250) for a, b in pairwise(bands)]
        spectrum.semilogx(bands[:-1], tops, label=choice.name)
    gain.set(xlabel="ms after the hit", ylabel="gain in dB")
    spectrum.set(
        title="Spectrum of the gain",
        xlabel="Hz",
        ylabel="dB of one second of all taken away",
        ylim=(-220, 0),
    )
    for part in (wave, gain, spectrum):
        part.legend()
        part.grid(alpha=0.3)
    figure.tight_layout()
    figure.savefig(file)


TONES = {"60 Hz": [(60.0, 1.0)], "1 kHz": [(1000.0, 1.0)], "60 Hz+7 kHz": [(60.0, 0.8), (7e3, 0.2)]}
TONES["1+1.1 kHz"] = [(1000.0, 0.5), (1100.0, 0.5)]


def main() -> None:
    """Measure, print the tables, and draw."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--plot", type=Path, metavar="FILE")
    wanted = arguments.parse_args()
    for number, what in ((0, "all that is not the tones"), (1, "its strongest line")):
        table(
            f"Steady tones 6 dB over the ceiling: {what}, dB against the strongest tone",
            list(TONES),
            lambda choice, n=number: [distortion_db(choice, t, 6.0)[n] for t in TONES.values()],
        )
    table(
        "Hits 6 dB over: ms until within 0.5 dB, mean dip in dB of the tone 50 to 500 ms after",
        ["one, ms", "one, dip", "train, ms", "train, dip"],
        lambda choice: [*recovery(choice, 1), *recovery(choice, 12)],
    )
    lone, _ = hits([0.5], 3.0, 6.0)
    table(
        "Gain on a lone hit: energy above, dB of one second of all taken away",
        ["100 Hz", "300 Hz", "1 kHz", "5 kHz"],
        lambda choice: [
            energy_above_db(choice.attenuation_db(lone), hz) for hz in (100, 300, 1000, 5000)
        ],
    )
    noise = np.random.default_rng(1).uniform(-1, 1, (5 * RATE_HZ, 2)).astype(np.float32)
    places = np.arange(len(noise))
    noise *= (fade_gain(places, FADE) * fade_gain(places[::-1], FADE))[:, None].astype(np.float32)
    table(
        "White noise of full scale: dB over the ceiling by 16-times oversampling; most taken, dB",
        ["over", "most taken"],
        lambda choice: [
            over_ceiling_db(turned_down(noise, taken := choice.attenuation_db(noise))),
            taken.max(),
        ],
    )
    if MUSIC.is_dir():
        for over_db in (3.0, 6.0, 10.0):
            pieces = [music(piece, over_db) for piece in PIECES]
            table(
                f"Real music, {over_db:.0f} dB over: means of {len(pieces)} pieces, worst ceiling",
                ["LU lost", "% > 3 dB", "dB > 20 Hz", "over, dB"],
                lambda choice, p=pieces: music_figures(choice, p),
            )
    if wanted.plot:
        plot(wanted.plot)


if __name__ == "__main__":
    main()
