"""One side of the net loft tape as transferred on a worn deck: six songs and known faults.

On the tape: songs, talk, the tape's noise and hum. The deck plays it 0.8 % slow, the left channel
low and the right one delayed. The converter adds clicks and a DC offset. `SIDE_TRUTH` has the
amount of each, timed as in the finished files; nothing in it is measured from them.
"""

import itertools
from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

import numpy as np
from net_loft_songs import SONGS, performed, talked
from scipy.signal import firwin, oaconvolve, resample_poly
from spaces import filtered, hiss

HUM_ON_TAPE_HZ = 50
CLICK_COUNT = 40
CLICK_OVER_SONG_DB = 6.0
CLICK_IN_GAP_DBFS = -26.0


@dataclass(frozen=True)
class Stretch:
    """A song or other stretch of the side, in seconds.

    A song starts where its own sound first reaches -50 dBFS and ends with the last 50 ms in which
    its mean level is over that of the tape's noise, -52 dBFS.
    """

    start_s: float
    end_s: float


@dataclass(frozen=True)
class Click:
    """A click: its first sample, how many it lasts, and its peak (full scale 1.0)."""

    channel: Literal["left", "right"]
    start_sample: int
    samples: int
    peak: float


@dataclass(frozen=True)
class SideTruth:
    """The known facts of the finished side, all times as on the transfer.

    Attributes
    ----------
    songs
        In the order of `SONGS`.
    talk
        Two people talk, between the third song and the fourth.
    hush
        Inside the fourth song: one reed at about the level of the tape's noise, no more.
    clicks
        In order of time.
    left_low_db
        The left channel is that much quieter than the right, in everything that is on the tape.
    right_late_us
        Delay of the right channel.
    percent_slow
        The tape runs at 100 % less this.
    speed_factor
        Exactly how much faster it must run to be right.
    hum_hz
        Fundamental of the hum as it reads.
    hum_dbfs
        RMS of its harmonics 1, 2, 3 … in the right channel (0 dBFS: RMS of 1.0); the left has
        `left_low_db` less.
    dc
        Mean of left and right, of full scale.
    floor_dbfs
        RMS of the tape's noise in left and right, without hum and offset.
    """

    rate_hz: int
    length_samples: int
    songs: tuple[Stretch, ...]
    talk: Stretch
    hush: Stretch
    clicks: tuple[Click, ...]
    left_low_db: float
    right_late_us: float
    percent_slow: float
    speed_factor: Fraction
    hum_hz: float
    hum_dbfs: tuple[float, ...]
    dc: tuple[float, float]
    floor_dbfs: tuple[float, float]


SONG_TIMES = (
    Stretch(4.20, 44.42),
    Stretch(47.60, 85.60),
    Stretch(88.00, 112.24),
    Stretch(122.00, 161.52),
    Stretch(166.30, 197.70),
    Stretch(198.90, 240.63),
)
LENGTH_S = 247


def clicks_among(songs: tuple[Stretch, ...], rate: int) -> tuple[Click, ...]:
    """Return clicks spread from the first song to the last, louder where the songs are."""
    rng = np.random.default_rng(1710)
    edges_s = np.linspace(songs[0].start_s, songs[-1].end_s, CLICK_COUNT + 1)
    clicks = []
    for index, (early_s, late_s) in enumerate(itertools.pairwise(edges_s)):
        start_s = early_s + rng.uniform(0.1, 0.9) * (late_s - early_s)
        peak_db = CLICK_IN_GAP_DBFS
        for place, song in zip(songs, SONGS, strict=True):
            if place.start_s <= start_s <= place.end_s:
                peak_db = song.level_dbfs + CLICK_OVER_SONG_DB
        channel: Literal["left", "right"] = "left" if (index * 7) % 5 < 2 else "right"
        samples = int(rng.integers(10, 41))
        clicks.append(Click(channel, int(start_s * rate), samples, 10 ** (peak_db / 20)))
    return tuple(clicks)


SIDE_TRUTH = SideTruth(
    rate_hz=48000,
    length_samples=LENGTH_S * 48000,
    songs=SONG_TIMES,
    talk=Stretch(114.30, 118.23),
    hush=Stretch(138.1, 141.0),
    clicks=clicks_among(SONG_TIMES, 48000),
    left_low_db=1.8,
    right_late_us=60.0,
    percent_slow=0.8,
    speed_factor=Fraction(125, 124),
    hum_hz=49.6,
    hum_dbfs=(-50.0, -57.0, -54.0, -64.0, -60.0, -67.0),
    dc=(0.0, 0.003),
    floor_dbfs=(-53.8, -52.0),
)


def programme(rate: int) -> np.ndarray:
    """Return songs and talk without faults, timed as on the tape."""
    frames = SIDE_TRUTH.length_samples * rate // SIDE_TRUTH.rate_hz
    sound = np.zeros((int(frames / SIDE_TRUTH.speed_factor), 2), np.float32)
    parts = [(place, performed(song, rate)) for place, song in zip(SONG_TIMES, SONGS, strict=True)]
    for place, part in [*parts, (SIDE_TRUTH.talk, talked(rate))]:
        begin = round(place.start_s / SIDE_TRUTH.speed_factor * rate)
        part = part[: len(sound) - begin]
        sound[begin : begin + len(part)] += part
    return sound


def recorded(sound: np.ndarray, rate: int) -> np.ndarray:
    """Return the sound on the tape, with its bandwidth, its noise and mains hum."""
    taped = filtered(sound, rate, 30, 14000, 1)
    noise = hiss(len(sound), 2, rate, 1720)
    taped += noise / noise.std(axis=0) * 10 ** (SIDE_TRUTH.floor_dbfs[1] / 20)
    taped += np.resize(one_period_of_hum(rate), len(sound))[:, None]
    return taped


def one_period_of_hum(rate: int) -> np.ndarray:
    """Return one period of the hum, mono; it must be a whole number of samples."""
    angle = 2 * np.pi * np.arange(rate // HUM_ON_TAPE_HZ) * HUM_ON_TAPE_HZ / rate
    return sum(
        10 ** (level_db / 20) * np.sqrt(2) * np.sin(number * angle + 1.3 * number**2)
        for number, level_db in enumerate(SIDE_TRUTH.hum_dbfs, 1)
    )


def played(taped: np.ndarray, rate: int) -> np.ndarray:
    """Return the sound from the deck: slow, the left channel low, the right one delayed."""
    factor = SIDE_TRUTH.speed_factor
    up, down = factor.numerator, factor.denominator
    taps = firwin(64 * up + 1, 0.96 / up, window=("kaiser", 9.0))
    left, right = resample_poly(taped, up, down, axis=0, window=taps).T
    left = left * 10 ** (-SIDE_TRUTH.left_low_db / 20)
    return np.stack([left, late(right, SIDE_TRUTH.right_late_us * 1e-6 * rate)], axis=1)


def late(sound: np.ndarray, by_samples: float) -> np.ndarray:
    """Return a sound delayed by some samples, whole or not, by a windowed sinc.

    The Kaiser window is centred on the sinc and not on the taps: else the sound would be lowered.
    """
    half = 64
    away = np.arange(-half, half + 1) - by_samples
    window = np.i0(9.0 * np.sqrt(np.clip(1 - (away / half) ** 2, 0, None))) / np.i0(9.0)
    return oaconvolve(sound, np.sinc(away) * window)[half : half + len(sound)]


def converted(sound: np.ndarray, clicks: tuple[Click, ...]) -> np.ndarray:
    """Return the sound after the converter, with clicks and a DC offset."""
    made = sound + np.array(SIDE_TRUTH.dc)
    for click in clicks:
        rng = np.random.default_rng(click.start_sample)
        burst = rng.choice([-1, 1], click.samples) * rng.uniform(0.4, 1, click.samples)
        burst *= np.exp(-2 * np.arange(click.samples) / click.samples)
        part = slice(click.start_sample, click.start_sample + click.samples)
        column = 0 if click.channel == "left" else 1
        made[part, column] += click.peak * burst / np.abs(burst).max()
    return made


def net_loft(rate: int) -> np.ndarray:
    """Return the finished side, stereo."""
    return converted(played(recorded(programme(rate), rate), rate), SIDE_TRUTH.clicks)
