"""Read tunes written as text, set them for four voices and time them."""

import itertools
import re
from collections.abc import Callable
from typing import NamedTuple

import numpy as np

STEPS = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
CHORD = re.compile(r"([A-G][#b]?)(m?)(7?)(?:/([A-G][#b]?))?$")
RANGES = {"alto": (54, 74), "tenor": (48, 68), "bass": (40, 60)}
BREATH_BEATS = 0.35


class Sung(NamedTuple):
    """One written note: beats from the start, pitch as a MIDI number, None for a rest."""

    beat: float
    beats: float
    pitch: int | None
    syllable: str
    chord: str


class Note(NamedTuple):
    """One sounding note."""

    start_s: float
    length_s: float
    pitch: float
    syllable: str = ""
    level_db: float = 0.0


def pitch_class(name: str) -> int:
    """Return the semitones above C of a note name such as ``F#``."""
    return (STEPS[name[0]] + name.count("#") - name.count("b", 1)) % 12


def pitch(name: str) -> int:
    """Return the MIDI number of a pitch such as ``F#4``."""
    return pitch_class(name[:-1]) + 12 * (int(name[-1]) + 1)


def tune(text: str, beat: float = 0.0) -> list[Sung]:
    """Read ``pitch:beats:syllable:chord`` words, ``.`` for a rest and ``,`` for a breath.

    The syllable ``_`` carries the one before it on, and a missing chord repeats the last.
    """
    sung: list[Sung] = []
    chord = ""
    for word in text.split():
        if word == ",":
            sung[-1] = sung[-1]._replace(beats=sung[-1].beats - BREATH_BEATS)
            continue
        name, beats, syllable, new_chord = (word + ":::").split(":")[:4]
        chord = new_chord or chord
        sung.append(Sung(beat, float(beats), None if name == "." else pitch(name), syllable, chord))
        beat += float(beats)
    return sung


def end_beat(sung: list[Sung]) -> float:
    """Return the beat on which a line ends."""
    return sung[-1].beat + sung[-1].beats


def chord_tones(symbol: str) -> tuple[list[int], int]:
    """Return the pitch classes of a chord (root, third, fifth, seventh) and its bass."""
    match = CHORD.match(symbol)
    if match is None:
        raise ValueError(f"not a chord: {symbol!r}")
    root = pitch_class(match[1])
    tones = [root, (root + (3 if match[2] else 4)) % 12, (root + 7) % 12]
    if match[3]:
        tones.append((root + 10) % 12)
    return tones, pitch_class(match[4]) if match[4] else root


def voicings(symbol: str, highest: int, lowest: int) -> list[tuple[int, int, int]]:
    """Return every alto, tenor and bass that completes a chord below a melody.

    The melody runs from `lowest` to `highest` while the chord lasts. A chord whose bass is not
    given may also stand on its third.
    """
    tones, bass_class = chord_tones(symbol)
    of_class = {
        part: [p for p in range(low, high + 1) if p % 12 in tones]
        for part, (low, high) in RANGES.items()
    }
    found = []
    allowed = (bass_class,) if "/" in symbol else (bass_class, tones[1])
    basses = [p for p in of_class["bass"] if p % 12 in allowed]
    for alto, tenor, bass in itertools.product(of_class["alto"], of_class["tenor"], basses):
        spaced = bass < tenor < alto < lowest and highest - alto <= 14 and alto - tenor <= 12
        present = {highest % 12, lowest % 12, alto % 12, tenor % 12, bass % 12}
        if spaced and {tones[0], tones[1], tones[-1]} <= present:
            found.append((alto, tenor, bass))
    if not found:
        raise ValueError(f"no voicing of {symbol} under {lowest}-{highest}")
    return found


def parallels(before: tuple[int, ...], after: tuple[int, ...]) -> int:
    """Count the pairs of voices that move together in fifths or octaves."""
    count = 0
    for one, two in itertools.combinations(range(4), 2):
        interval = (before[one] - before[two]) % 12
        moved = before[one] != after[one] and before[two] != after[two]
        count += moved and interval in (0, 7) and (after[one] - after[two]) % 12 == interval
    return count


def four_parts(melody: list[Sung]) -> dict[str, list[Sung]]:
    """Set a melody with chords for soprano, alto, tenor and bass.

    Of all ways through the chords the one with least motion and fewest parallel fifths and
    octaves wins (a shortest path).
    """
    groups: list[list[Sung]] = []
    for note in melody:
        if note.pitch is None:
            continue
        if groups and groups[-1][-1].chord == note.chord:
            groups[-1].append(note)
        else:
            groups.append([note])
    paths: dict[tuple[int, int, int], tuple[float, list[tuple[int, int, int]]]] = {}
    previous: list[Sung] = []
    for group in groups:
        pitches = [n.pitch for n in group]
        third = chord_tones(group[0].chord)[0][1]
        new_paths = {}
        for lower in voicings(group[0].chord, max(pitches), min(pitches)):
            voices = (pitches[0], *lower)
            doubled = max(0, sum(v % 12 == third for v in voices) - 1)
            own = 4.0 * doubled + 0.1 * abs(lower[0] - 64) + 0.1 * abs(lower[2] - 48)
            if "/" not in group[0].chord and lower[2] % 12 == third:
                own += 30.0 if group in (groups[0], groups[-1]) else 6.0
            if not paths:
                new_paths[lower] = (own, [lower])
                continue
            new_paths[lower] = min(
                (
                    cost
                    + own
                    + sum(abs(a - b) for a, b in zip(old, lower, strict=True))
                    + 60 * parallels((previous[-1].pitch, *old), voices),
                    [*path, lower],
                )
                for old, (cost, path) in paths.items()
            )
        paths, previous = new_paths, group
    chosen = min(paths.values())[1]
    parts: dict[str, list[Sung]] = {"soprano": [n for n in melody if n.pitch is not None]}
    for index, part in enumerate(RANGES):
        parts[part] = [
            note._replace(pitch=lower[index])
            for group, lower in zip(groups, chosen, strict=True)
            for note in group
        ]
    return parts


def tempo(*marks: tuple[float, float]) -> Callable[[float], float]:
    """Return the function from beats to seconds for (beat, beats per minute) marks."""
    beats = np.arange(0, 400, 0.05)
    per_minute = np.interp(beats, *zip(*marks, strict=True))
    seconds = np.concatenate([[0], np.cumsum(0.05 * 60 / per_minute)[:-1]])
    return lambda beat: float(np.interp(beat, beats, seconds))


def timed(
    sung: list[Sung], at: Callable[[float], float], start_s: float = 0.0, transpose: int = 0
) -> list[Note]:
    """Convert written notes to seconds, without the rests."""
    return [
        Note(
            start_s + at(n.beat), at(n.beat + n.beats) - at(n.beat), n.pitch + transpose, n.syllable
        )
        for n in sung
        if n.pitch is not None
    ]


def tied(notes: list[Note]) -> list[Note]:
    """Join notes that repeat a pitch without a gap, as a keyboard player holds them."""
    joined: list[Note] = []
    for note in notes:
        last = joined[-1] if joined else None
        if last and last.pitch == note.pitch and note.start_s - last.start_s - last.length_s < 0.02:
            joined[-1] = last._replace(length_s=note.start_s + note.length_s - last.start_s)
        else:
            joined.append(note)
    return joined


def swell(
    at: Callable[[float], float], *marks: tuple[float, float], start_s: float = 0.0
) -> Callable[[np.ndarray], np.ndarray]:
    """Return the level in dB at each second for (beat, dB) marks."""
    times_s = [start_s + at(beat) for beat, _ in marks]
    return lambda seconds: np.interp(seconds, times_s, [db for _, db in marks])
