"""Sing notes with formant voices: one singer, or a section of slightly different ones."""

import itertools
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.signal import butter, sosfilt
from score import Note

CONTROL_HZ = 200
TABLE_POINTS = 2048
TOP_HARMONIC_HZ = 11000
VOICED = "mnlwdbgrv"
UNVOICED = {
    "s": (0.11, 4500, 9500),
    "f": (0.09, 3000, 8000),
    "h": (0.08, 900, 4000),
    "t": (0.025, 2500, 7500),
    "k": (0.03, 1200, 4500),
    "p": (0.025, 700, 3000),
}
# Formant (Hz, dB, bandwidth in Hz) of women's and men's voices.
WOMEN = {
    "a": [(800, 0, 90), (1150, -5, 110), (2850, -24, 140), (3700, -28, 160), (4950, -46, 200)],
    "e": [(400, 0, 80), (1800, -18, 110), (2750, -20, 140), (3500, -28, 170), (4950, -50, 200)],
    "i": [(310, 0, 70), (1950, -16, 110), (2900, -26, 140), (3800, -30, 170), (4950, -50, 200)],
    "o": [(450, 0, 80), (800, -8, 100), (2830, -24, 140), (3600, -28, 160), (4950, -48, 200)],
    "u": [(325, 0, 70), (700, -12, 90), (2600, -32, 170), (3600, -38, 180), (4950, -54, 200)],
    "n": [(270, 0, 70), (1100, -26, 200), (2200, -30, 250), (3300, -40, 300)],
}
MEN = {
    "a": [(630, 0, 90), (1060, -6, 100), (2500, -11, 130), (2900, -13, 140), (3300, -24, 160)],
    "e": [(400, 0, 80), (1650, -12, 100), (2500, -13, 130), (3000, -15, 140), (3500, -24, 160)],
    "i": [(280, 0, 60), (1800, -16, 110), (2650, -18, 130), (3150, -20, 140), (3500, -30, 160)],
    "o": [(400, 0, 70), (780, -8, 100), (2500, -17, 130), (2850, -19, 140), (3200, -28, 160)],
    "u": [(340, 0, 60), (620, -14, 90), (2450, -24, 140), (2750, -26, 150), (3150, -34, 170)],
    "n": [(250, 0, 60), (1000, -24, 180), (2100, -28, 220), (3000, -38, 260)],
}


class Manner(NamedTuple):
    """How the singers of a section sing."""

    vibrato_cents: float = 22.0
    vibrato_hz: float = 5.3
    detune_cents: float = 6.0
    wander_cents: float = 5.0
    tilt: float = 1.2
    breath_db: float = -36.0
    attack_s: float = 0.07
    late_s: float = 0.018
    age: float = 0.0


PLAIN = Manner()


def timbre_table(
    formants: list[tuple[float, float, float]],
    pitch_hz: float,
    tract: float,
    tilt: float,
    top_hz: float,
) -> np.ndarray:
    """Return one period of a voice, of unit RMS, with two points more to interpolate to.

    Parameters
    ----------
    tract
        Factor on the formants, for a longer (< 1) or shorter (> 1) throat.
    tilt
        Power by which the harmonics of the glottis fall; soft singing has a high one.
    """
    harmonic = np.arange(1, max(2, int(top_hz / pitch_hz)) + 1)
    frequency_hz = harmonic * pitch_hz
    response = np.zeros(len(harmonic), complex)
    for index, (centre_hz, level_db, width_hz) in enumerate(formants):
        centre_hz *= tract
        if index == 0:  # a trained singer opens the mouth as the pitch passes the first formant
            centre_hz = max(centre_hz, 1.02 * pitch_hz)
        width_hz = 1.5 * width_hz + 0.12 * pitch_hz
        resonance = centre_hz**2 - frequency_hz**2 + 1j * width_hz * frequency_hz
        sign = -1 if index % 2 else 1
        response += sign * 10 ** (level_db / 20) * centre_hz * width_hz / resonance
    rolled_off = 1 / (1 + (frequency_hz / 6000) ** 4)
    spectrum = np.zeros(TABLE_POINTS // 2 + 1, complex)
    spectrum[harmonic] = response * harmonic**-tilt * rolled_off
    table = np.fft.irfft(spectrum)
    table /= np.sqrt(np.mean(table**2))
    return np.append(table, table[:2]).astype(np.float32)


def segments(notes: list[Note]) -> list[tuple[float, float, Note, str]]:
    """Split a line in formant segments: (start, half the length of its cross-fade, note, letter).

    Notes with a gap between them change in the middle of the gap, where the voice is silent.
    """
    cut: list[tuple[float, float, Note, str]] = []
    last_end_s = notes[0].start_s - 0.4
    for note in notes:
        letters = [c for c in note.syllable if c in "aeiou"] or ["n"]
        change_s = (last_end_s + note.start_s) / 2
        last_end_s = note.start_s + note.length_s
        if note.syllable[:1] in VOICED:
            cut.append((change_s, 0.025, note, "n"))
            change_s = note.start_s + min(0.09, 0.3 * note.length_s)
        cut.append((change_s, 0.025, note, letters[0]))
        if len(letters) > 1:
            cut.append((note.start_s + 0.55 * note.length_s, 0.06, note, letters[1]))
        if note.syllable[-1:] in ("n", "m") and len(note.syllable) > 1:
            hum_s = max(0.7 * note.length_s, note.length_s - 0.16)
            cut.append((note.start_s + hum_s, 0.04, note, "n"))
    return cut


def spoken(notes: list[Note]) -> list[Note]:
    """Return every note that carries a syllable on (``_``) its vowel, without a consonant."""
    vowel, spelt = "a", []
    for note in notes:
        if note.syllable == "_":
            note = note._replace(syllable=vowel)
        else:
            vowel = ([c for c in note.syllable if c in "aeiou"] or ["n"])[-1]
        spelt.append(note)
    return spelt


def envelope(notes: list[Note], seconds: np.ndarray, manner: Manner) -> np.ndarray:
    """Return the loudness of a voice at each control time, with consonants and breaths."""
    level = np.zeros(len(seconds))
    for before, note, after in zip([None, *notes[:-1]], notes, [*notes[1:], None], strict=True):
        first = note.syllable[:1]
        end_s = note.start_s + note.length_s
        tied_in = before and note.start_s - before.start_s - before.length_s < 0.02
        tied_out = after and after.start_s - end_s < 0.02
        start_s = note.start_s + (0.02 if first in UNVOICED else 0.0)
        part = slice(*np.searchsorted(seconds, [start_s - 0.3, end_s + 0.3]))
        t = seconds[part]
        rise_s = 0.05 if tied_in else manner.attack_s
        fall_s = 0.05 if tied_out else 0.13
        rise = np.clip((t - start_s) / rise_s + 0.5, 0, 1)
        fall = np.clip((end_s - t) / fall_s + 0.5, 0, 1)
        arch = 0.8 + 0.25 * np.sin(np.pi * np.clip((t - start_s) / note.length_s, 0, 1) ** 0.8)
        shape = np.sin(rise * np.pi / 2) ** 2 * np.sin(fall * np.pi / 2) ** 2 * arch
        if first in VOICED:
            shape *= 1 - 0.5 * np.exp(-(((t - start_s - 0.04) / 0.045) ** 2))
        level[part] += shape * 10 ** (note.level_db / 20)
    return gaussian_filter1d(level, 0.012 * CONTROL_HZ)


def pitch_curve(
    notes: list[Note], seconds: np.ndarray, manner: Manner, rng: np.random.Generator
) -> np.ndarray:
    """Return the pitch in semitones at each control time, with glides, vibrato and drift."""
    starts_s = np.array([n.start_s for n in notes])
    index = np.clip(np.searchsorted(starts_s, seconds + 0.02, side="right") - 1, 0, None)
    curve = np.array([n.pitch for n in notes])[index]
    since_s = np.clip(seconds - starts_s[index], 0, None)
    scoop = -0.35 * manner.age * np.exp(-since_s / 0.12)
    curve = gaussian_filter1d(curve + scoop, 0.022 * CONTROL_HZ)
    wander = gaussian_filter1d(rng.standard_normal(len(seconds)), 0.25 * CONTROL_HZ)
    wander *= manner.wander_cents / 100 / (wander.std() + 1e-9)
    rate_hz = manner.vibrato_hz * rng.uniform(0.92, 1.08)
    unsteady = gaussian_filter1d(rng.standard_normal(len(seconds)), 0.4 * CONTROL_HZ)
    rate_hz = rate_hz * (1 + 0.05 * unsteady / (unsteady.std() + 1e-9))
    cycles = np.cumsum(rate_hz) / CONTROL_HZ + rng.uniform()
    depth = manner.vibrato_cents / 100 * rng.uniform(0.6, 1.3)
    vibrato = depth * np.clip((since_s - 0.15) / 0.6, 0.1, 1) * np.sin(2 * np.pi * cycles)
    return curve + wander + vibrato + rng.normal(0, manner.detune_cents / 100)


def singer(
    notes: list[Note],
    rate: int,
    frames: int,
    formants: dict[str, list[tuple[float, float, float]]],
    manner: Manner,
    swell_db: Callable[[np.ndarray], np.ndarray],
    rng: np.random.Generator,
) -> np.ndarray:
    """Return the sound of one singer of a line, mono, about unit RMS at 0 dB."""
    late_s = rng.normal(0, manner.late_s, len(notes))
    tract = rng.normal(1, 0.035)
    moved = [n._replace(start_s=n.start_s + late) for n, late in zip(notes, late_s, strict=True)]
    for index, (note, after) in enumerate(itertools.pairwise(moved)):
        if notes[index + 1].start_s - notes[index].start_s - notes[index].length_s < 0.02:
            moved[index] = note._replace(length_s=after.start_s - note.start_s)
    notes = spoken(moved)
    seconds = np.arange(0, frames / rate + 0.1, 1 / CONTROL_HZ)
    f0_hz = 440 * 2 ** ((pitch_curve(notes, seconds, manner, rng) - 69) / 12)
    level = envelope(notes, seconds, manner) * 10 ** (swell_db(seconds) / 20)
    if manner.age:
        shake = gaussian_filter1d(rng.standard_normal(len(seconds)), 0.02 * CONTROL_HZ)
        level *= 1 + 0.12 * manner.age * shake / shake.std()
    time_s = np.arange(frames) / rate
    phase = np.cumsum(np.interp(time_s, seconds, f0_hz)) / rate + rng.uniform()
    phase = ((phase - np.floor(phase)) * TABLE_POINTS).astype(np.float32)
    whole = phase.astype(np.int32)
    phase -= whole
    sound = np.zeros(frames, np.float32)
    tables: dict[tuple[float, str, int], np.ndarray] = {}
    cut = segments(notes)
    ends = [(start_s, half_s) for start_s, half_s, _, _ in cut[1:]]
    ends.append((notes[-1].start_s + notes[-1].length_s + 0.3, 0.025))
    for (begin_s, in_s, note, letter), (end_s, out_s) in zip(cut, ends, strict=True):
        softness = int(np.clip(-swell_db(np.array([note.start_s]))[0] / 3, -2, 6))
        key = (note.pitch, letter, softness)
        if key not in tables:
            pitch_hz = 440 * 2 ** ((note.pitch - 69) / 12)
            tilt = manner.tilt + 0.08 * softness
            top_hz = min(TOP_HARMONIC_HZ, 0.45 * rate)
            tables[key] = timbre_table(formants[letter], pitch_hz, tract, tilt, top_hz)
        table = tables[key]
        risen, fallen = int(2 * in_s * rate), int(2 * out_s * rate)
        begin = max(0, int((begin_s - in_s) * rate))
        part = slice(begin, int((end_s - out_s) * rate) + fallen)
        near = table[whole[part]]
        near += phase[part] * (table[1:][whole[part]] - near)
        rise = np.linspace(0, 1, risen, endpoint=False, dtype=np.float32)[: len(near)]
        fall = np.linspace(1, 0, fallen, endpoint=False, dtype=np.float32)[-len(near) :]
        near[: len(rise)] *= rise
        near[len(near) - len(fall) :] *= fall
        sound[part] += near
    return sound * np.interp(time_s, seconds, level).astype(np.float32)


def consonants(
    notes: list[Note],
    rate: int,
    frames: int,
    swell_db: Callable[[np.ndarray], np.ndarray],
    rng: np.random.Generator,
    singers: int,
) -> np.ndarray:
    """Return the unvoiced consonants of a line, mono."""
    sound = np.zeros(frames)
    noise = {
        letter: sosfilt(
            butter(2, [low_hz, high_hz], "bandpass", fs=rate, output="sos"),
            rng.standard_normal(rate),
        )
        for letter, (_, low_hz, high_hz) in UNVOICED.items()
    }
    for note in notes:
        letter = note.syllable[:1]
        if letter not in UNVOICED:
            continue
        length = int(UNVOICED[letter][0] * rate)
        level_db = note.level_db + float(swell_db(np.array([note.start_s]))[0]) - 15
        for _ in range(singers):
            start = int((note.start_s - 0.03 + rng.normal(0, 0.01)) * rate)
            offset = rng.integers(0, rate - length)
            if 0 <= start < frames - length:
                burst = noise[letter][offset : offset + length] * np.hanning(length)
                sound[start : start + length] += 10 ** (level_db / 20) * burst / singers**0.5
    return sound


def choir(
    notes: list[Note],
    rate: int,
    frames: int,
    voice: str,
    singers: int,
    seed: int,
    swell_db: Callable[[np.ndarray], np.ndarray] = np.zeros_like,
    place: tuple[float, float] = (-0.5, 0.5),
    manner: Manner = PLAIN,
) -> np.ndarray:
    """Return a section of singers on one line, stereo, about unit RMS at 0 dB.

    Parameters
    ----------
    voice
        ``women`` or ``men``.
    place
        Where the section stands: its left and right end, from -1 (left) to 1 (right).
    """
    rng = np.random.default_rng(seed)
    formants = {"women": WOMEN, "men": MEN}[voice]
    stereo = np.zeros((frames, 2), np.float32)
    where = np.linspace(*place, singers) if singers > 1 else [sum(place) / 2]
    for position in where:
        sound = singer(notes, rate, frames, formants, manner, swell_db, rng)
        angle = (position + 1) * np.pi / 4
        stereo[:, 0] += np.cos(angle) * sound
        stereo[:, 1] += np.sin(angle) * sound
    stereo *= singers**-0.5
    band = butter(1, [1500, 6500], "bandpass", fs=rate, output="sos")
    breath = sosfilt(band, rng.standard_normal(frames)) * 10 ** (manner.breath_db / 20)
    loud = np.sqrt(
        np.maximum(np.convolve(np.mean(stereo[:: rate // 100] ** 2, 1), np.ones(5) / 5, "same"), 0)
    )
    breath *= 2 * np.interp(np.arange(frames), np.arange(len(loud)) * (rate // 100), loud)
    centre = (sum(place) / 2 + 1) * np.pi / 4
    air = breath + consonants(notes, rate, frames, swell_db, rng, min(singers, 3))
    return stereo + np.outer(air, [np.cos(centre), np.sin(centre)]).astype(np.float32)
