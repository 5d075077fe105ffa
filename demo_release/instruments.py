"""Play a harmonium, bells, a low drum, rattles and struck timber."""

from collections.abc import Sequence

import numpy as np
from scipy.signal import butter, sosfilt
from score import Note
from voices import TABLE_POINTS

# Partials of a cast bell against its strike note: (ratio, level in dB, part of the decay).
BELL = [
    (0.5, -8, 1.0),
    (1.0, -4, 0.7),
    (1.2, -5, 0.62),
    (1.5, -15, 0.4),
    (2.0, 0, 0.36),
    (2.51, -10, 0.22),
    (2.66, -13, 0.2),
    (3.01, -7, 0.2),
    (4.1, -10, 0.12),
    (5.43, -14, 0.08),
    (6.79, -18, 0.05),
]


def harmonium(
    notes: list[Note], rate: int, frames: int, seed: int, octave_up_db: float = -14.0
) -> np.ndarray:
    """Return a two-reed harmonium, stereo, each note about unit RMS."""
    rng = np.random.default_rng(seed)
    stereo = np.zeros((frames, 2), np.float32)
    for note in notes:
        pitch_hz = 440 * 2 ** ((note.pitch - 69) / 12)
        harmonic = np.arange(1, int(min(9000, 0.45 * rate) / pitch_hz) + 1)
        size = harmonic**-0.85 * (1 + 1.5 * np.exp(-(((harmonic * pitch_hz - 1100) / 600) ** 2)))
        size /= 1 + (harmonic * pitch_hz / 3200) ** 2
        size *= np.where(harmonic % 2 == 0, 0.75, 1.0)
        spectrum = np.zeros(TABLE_POINTS // 2 + 1, complex)
        spectrum[harmonic] = size * np.exp(1j * 0.35 * harmonic**1.5)
        table = np.fft.irfft(spectrum)
        table = np.append(table, table[0]) / table.std()
        begin = max(0, int(note.start_s * rate))
        end = min(frames, int((note.start_s + note.length_s + 0.25) * rate))
        t = np.arange(end - begin) / rate
        attack_s = rng.uniform(0.07, 0.12)
        shape = np.ones(len(t))
        rising, falling = t < attack_s, t > note.length_s
        shape[rising] = np.sin(np.pi / 2 * (t[rising] / attack_s)) ** 2
        ended = np.minimum((t[falling] - note.length_s) / 0.2, 1)
        shape[falling] *= np.cos(np.pi / 2 * ended) ** 2
        shape *= 10 ** (note.level_db / 20)
        seconds = note.start_s + t
        shape *= (
            1
            + 0.09 * np.sin(2 * np.pi * 0.31 * seconds)
            + 0.03 * np.sin(2 * np.pi * 0.83 * seconds)
        )
        pan = np.clip((note.pitch - 57) / 70, -0.3, 0.3)
        speed = np.ones(len(t))
        bent = t < 1  # after that the bend is less than a rounding
        speed[bent] -= 0.004 * np.exp(-t[bent] / 0.03)
        bent_cycles = np.cumsum(speed)
        for cents, octave, level_db, side in (
            (-2.5, 1, 0, -0.3),
            (2.5, 1, 0, 0.3),
            (1.0, 2, octave_up_db, 0.0),
        ):
            cycles = bent_cycles * (pitch_hz * octave * 2 ** (cents / 1200) / rate)
            cycles += rng.uniform()
            cycles -= np.floor(cycles)  # several times as fast as a modulo
            phase = cycles * TABLE_POINTS
            whole = phase.astype(np.int32)
            reed = table[whole] + (phase - whole) * (table[whole + 1] - table[whole])
            reed *= shape * 10 ** (level_db / 20) * 0.7
            angle = (np.clip(pan + side, -1, 1) + 1) * np.pi / 4
            stereo[begin:end, 0] += np.cos(angle) * reed
            stereo[begin:end, 1] += np.sin(angle) * reed
    return stereo


def bells(
    strikes: list[Note], rate: int, frames: int, seed: int, decay_s: float = 9.0
) -> np.ndarray:
    """Return struck bells, stereo, peaking at about one at 0 dB.

    Parameters
    ----------
    decay_s
        Time in which the hum note of a bell on middle C falls by 60 dB.
    """
    rng = np.random.default_rng(seed)
    stereo = np.zeros((frames, 2), np.float32)
    click = butter(2, [1800, 7000], "bandpass", fs=rate, output="sos")
    for strike in strikes:
        pitch_hz = 440 * 2 ** ((strike.pitch - 69) / 12)
        ring_s = decay_s * (262 / pitch_hz) ** 0.4
        begin = int(strike.start_s * rate)
        t = np.arange(min(frames - begin, int(ring_s * 1.2 * rate))) / rate
        tone = np.zeros(len(t))
        for ratio, level_db, part in BELL:
            partial_hz = pitch_hz * ratio * rng.uniform(0.998, 1.002)
            if partial_hz > 0.45 * rate:
                continue
            live = slice(0, min(len(t), int(ring_s * part * 1.2 * rate)))
            beat_hz = rng.uniform(0.2, 0.9)
            angle = 2 * np.pi * partial_hz * t[live]
            size = 10 ** ((level_db + strike.level_db * ratio * 0.1) / 20)
            wave = np.sin(angle) + 0.35 * np.sin(angle * (1 + beat_hz / partial_hz))
            tone[live] += size * wave * np.exp(-6.91 * t[live] / (ring_s * part))
        tone *= np.clip(t / 0.002, 0, 1) * np.clip((t[-1] - t) / (0.1 * ring_s), 0, 1)
        struck = sosfilt(click, rng.standard_normal(len(t[: rate // 10])))
        tone[: len(struck)] += 0.25 * struck * np.exp(-t[: len(struck)] / 0.006)
        angle = (np.clip((strike.pitch - 69) / 16, -0.7, 0.7) + 1) * np.pi / 4
        gain = 0.35 * 10 ** (strike.level_db / 20)
        stereo[begin : begin + len(t)] += np.outer(tone * gain, [np.cos(angle), np.sin(angle)])
    return stereo


def drum_hit(rate: int, rng: np.random.Generator, pitch_hz: float) -> np.ndarray:
    """Return one stroke on a deep drum, peaking at one."""
    t = np.arange(int(1.1 * rate)) / rate
    sound = np.zeros(len(t))
    for ratio, level, decay_s in (
        (1, 1, 0.28),
        (1.59, 0.5, 0.16),
        (2.14, 0.32, 0.11),
        (2.65, 0.2, 0.08),
        (3.6, 0.14, 0.06),
    ):
        falling = pitch_hz * ratio * rng.uniform(0.99, 1.01) * (1 + 0.45 * np.exp(-t / 0.035))
        sound += level * np.sin(2 * np.pi * np.cumsum(falling) / rate) * np.exp(-t / decay_s)
    skin = sosfilt(
        butter(2, [250, 3000], "bandpass", fs=rate, output="sos"), rng.standard_normal(len(t))
    )
    sound += 0.5 * skin * np.exp(-t / 0.018)
    sound *= np.clip(t / 0.0015, 0, 1) * np.clip((t[-1] - t) / 0.2, 0, 1)
    return sound / np.abs(sound).max()


def rattle_hit(rate: int, rng: np.random.Generator) -> np.ndarray:
    """Return one shake of a rattle of dry seeds, peaking at one."""
    t = np.arange(int(0.16 * rate)) / rate
    grains = np.zeros(len(t))
    when = np.abs(rng.normal(0.02, 0.018, 70))
    grains[(when * rate).astype(int).clip(0, len(t) - 1)] += rng.normal(0, 1, 70)
    short = np.arange(int(0.012 * rate)) / rate
    seed = rng.standard_normal(len(short)) * np.exp(-short / 0.0022)
    sound = np.convolve(grains, seed)[: len(t)]
    top_hz = min(15000, 0.45 * rate)
    sound = sosfilt(butter(2, [3200, top_hz], "bandpass", fs=rate, output="sos"), sound)
    sound *= np.clip((t[-1] - t) / 0.02, 0, 1)
    return sound / np.abs(sound).max()


def timber_hit(rate: int, rng: np.random.Generator, pitch_hz: float) -> np.ndarray:
    """Return one knock of a mallet on a mooring pile, peaking at one."""
    t = np.arange(int(0.5 * rate)) / rate
    sound = np.zeros(len(t))
    for ratio, level, decay_s in (
        (1, 1, 0.07),
        (2.71, 0.7, 0.035),
        (5.15, 0.45, 0.02),
        (8.4, 0.25, 0.012),
        (0.37, 0.5, 0.09),
    ):
        mode_hz = pitch_hz * ratio * rng.uniform(0.985, 1.015)
        sound += level * np.sin(2 * np.pi * mode_hz * t) * np.exp(-t / decay_s)
    knock = sosfilt(
        butter(1, [600, 9000], "bandpass", fs=rate, output="sos"), rng.standard_normal(len(t))
    )
    sound += 0.6 * knock * np.exp(-t / 0.004)
    sound *= np.clip(t / 0.0006, 0, 1) * np.clip((t[-1] - t) / 0.1, 0, 1)
    return sound / np.abs(sound).max()


def placed(
    hits: list[np.ndarray],
    strokes: Sequence[tuple[float, float]],
    rate: int,
    frames: int,
    seed: int,
    pan: float = 0.0,
) -> np.ndarray:
    """Return hits, used in turn, at (seconds, dB) strokes, stereo."""
    rng = np.random.default_rng(seed)
    stereo = np.zeros((frames, 2), np.float32)
    for index, (start_s, level_db) in enumerate(strokes):
        hit = hits[index % len(hits)]
        begin = max(0, int((start_s + rng.normal(0, 0.004)) * rate))
        length = min(len(hit), frames - begin)
        angle = (np.clip(pan + rng.normal(0, 0.05), -1, 1) + 1) * np.pi / 4
        gain = 10 ** ((level_db + rng.normal(0, 0.7)) / 20)
        stereo[begin : begin + length] += np.outer(
            gain * hit[:length], [np.cos(angle), np.sin(angle)]
        )
    return stereo
