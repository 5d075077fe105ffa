"""The six songs of the net loft tape, and the talk between two of them."""

from collections.abc import Callable
from typing import NamedTuple

import numpy as np
import tunes
from instruments import bells, drum_hit, harmonium, placed, rattle_hit
from pieces import HEARTY, QUIET, reeds, sections
from score import Note, swell, tempo, timed, tune
from spaces import at_level, in_room, room, without_rumble
from voices import Manner, choir

OLD_VOICE = Manner(vibrato_cents=40, vibrato_hz=5.5, wander_cents=10, breath_db=-28, age=0.8)
TALKING = Manner(
    vibrato_cents=0, wander_cents=60, detune_cents=0, tilt=1.25, breath_db=-30, attack_s=0.04
)
HUSH_DBFS = -49.0  # of the one reed that holds on while the Tollkeeper is silent
PEAK_DBFS = -5.0  # leaves room for the clicks


class Song(NamedTuple):
    """A song of the tape; its level is that of its louder half-seconds."""

    title: str
    level_dbfs: float
    perform: Callable[[int], np.ndarray]


def tallow_and_twine(rate: int) -> np.ndarray:
    """Return a work song: men call, all answer, a drum beats."""
    frames, start_s = 43 * rate, 0.3
    at = tempo((0, 98), (56, 98), (64, 92))
    calls = [n for beat in (0, 16, 32, 48) for n in tune(tunes.TALLOW_CALL, beat)]
    answers = [n for beat in (8, 24, 40, 56) for n in tune(tunes.TALLOW_ANSWER, beat)]
    swell_db = swell(at, (0, -3), (24, -1), (64, 1), start_s=start_s)
    sound = sections(answers, at, start_s, rate, frames, 2, 1010, swell_db, HEARTY)
    called = timed(calls, at, start_s, -12)
    sound += 1.3 * choir(called, rate, frames, "men", 3, 1020, swell_db, (-0.4, 0.4), HEARTY)
    rng = np.random.default_rng(1030)
    hits = [drum_hit(rate, rng, 66) for _ in range(3)]
    strokes = [(start_s + at(beat), -(beat % 4) - 2.0) for beat in range(0, 64, 2)]
    sound += 4.5 * placed(hits, strokes, rate, frames, 1031, 0.1)
    return in_room(sound, room(rate, 1.2, 1040), -7)


def heron_at_the_sluice(rate: int) -> np.ndarray:
    """Return one woman over a soft harmonium."""
    frames, start_s = 45 * rate, 0.3
    at = tempo((0, 74), (36, 74), (45, 62))
    song = tune(tunes.HERON)
    swell_db = swell(at, (0, -5), (18, 0), (24, -4), (30, 1), (45, -8), start_s=start_s)
    notes = timed(song, at, start_s)
    sound = choir(notes, rate, frames, "women", 1, 1110, swell_db, (-0.1, -0.1), QUIET)
    sound += 0.14 * harmonium(reeds(song, at, start_s), rate, frames, 1120)
    return in_room(sound, room(rate, 1.8, 1130), -5)


def seven_mooring_rings(rate: int) -> np.ndarray:
    """Return bells over a harmonium's drone, left to ring."""
    frames, start_s = 36 * rate, 0.3
    at = tempo((0, 72), (40, 72))
    struck_db = swell(at, (0, -1), (8, -4), (16, 0), (22, -3))
    strikes = [
        n._replace(start_s=n.start_s + start_s, level_db=float(struck_db(np.array(n.start_s))))
        for n in timed(tune(tunes.MOORING_RINGS), at)
    ]
    sound = 5.0 * bells(strikes, rate, frames, 1210, 15)
    sound += 0.1 * harmonium(reeds(tune(tunes.MOORING_DRONE), at, start_s), rate, frames, 1220)
    return in_room(sound, room(rate, 2.4, 1230), -4)


def tollkeepers_scales(rate: int) -> np.ndarray:
    """Return a choir that is silent for some three seconds in the middle of its song."""
    frames, start_s, again_beat = 46 * rate, 0.3, 19.5
    at = tempo((0, 64), (16, 60), (21, 66), (36, 66), (44, 50))
    song = tune(tunes.TOLLKEEPER) + tune(tunes.TOLLKEEPER_AFTER, again_beat)
    swell_db = swell(at, (0, -3), (8, 0), (16, -4), (20, -4), (32, 2), (42, -3), start_s=start_s)
    sound = sections(song, at, start_s, rate, frames, 2, 1310, swell_db, Manner())
    return in_room(sound, room(rate, 1.3, 1330), -6)


def held_through_the_hush(rate: int, frames: int) -> np.ndarray:
    """Return the low reed that holds on, hardly heard, while the Tollkeeper's choir is silent."""
    reed = harmonium([Note(15.5, 5.0, 45.0)], rate, frames, 1340, octave_up_db=-30)
    sounding = np.abs(reed).max(axis=1) > 0
    return reed * 10 ** (HUSH_DBFS / 20) / np.sqrt(np.mean(reed[sounding] ** 2))


def reel_for_a_wet_floor(rate: int) -> np.ndarray:
    """Return a dance on the harmonium with drum and rattle; it stops short."""
    frames, start_s, turns = 34 * rate, 0.3, (0, 16, 32, 48)
    at = tempo((0, 126), (70, 126))
    notes = [n for beat in turns for n in timed(tune(tunes.REEL, beat), at, start_s)]
    notes = [n._replace(length_s=0.85 * n.length_s, level_db=2.0) for n in notes]
    notes += reeds([n for beat in turns for n in tune(tunes.REEL_CHORDS, beat)], at, start_s)
    sound = 0.5 * harmonium(notes, rate, frames, 1420, octave_up_db=-8)
    rng = np.random.default_rng(1430)
    drums = [drum_hit(rate, rng, 80) for _ in range(3)]
    seeds = [rattle_hit(rate, rng) for _ in range(5)]
    beaten = [(start_s + at(beat), -(beat % 2) * 3.0) for beat in range(64)]
    shaken = [(start_s + at(half / 2), -(3, 12, 6, 12)[half % 4]) for half in range(32, 128)]
    sound += 2.6 * placed(drums, beaten, rate, frames, 1431, -0.15)
    sound += 1.8 * placed(seeds, shaken, rate, frames, 1432, 0.5)
    return in_room(sound, room(rate, 0.8, 1440), -9)


def lamp_in_the_sail_room(rate: int) -> np.ndarray:
    """Return an old voice over humming singers, dying away."""
    frames, start_s = 49 * rate, 0.3
    at = tempo((0, 52), (26, 50), (34, 42))
    humming = tune(tunes.SAIL_ROOM_HUM)
    hum_db = swell(at, (0, -9), (4, -11), (26, -9), (30, -14), (34, -20), start_s=start_s)
    sound = sections(humming, at, start_s, rate, frames, 2, 1510, hum_db, QUIET)
    melody_db = swell(at, (4, -2), (14, 1), (24, 0), (30, -5), (34, -10), start_s=start_s)
    melody = timed(tune(tunes.SAIL_ROOM), at, start_s)
    sound += choir(melody, rate, frames, "men", 1, 1520, melody_db, (0.15, 0.15), OLD_VOICE)
    return in_room(sound, room(rate, 2.2, 1530), -4)


def talk(rate: int) -> np.ndarray:
    """Return some four seconds of two people who speak invented syllables, quietly."""
    frames = int(4.6 * rate)
    sound = np.zeros((frames, 2), np.float32)
    turns = (
        ("men", 46.0, 0.1, (-0.5, -0.5), "ma no lai te wo da ni so la"),
        ("women", 56.5, 2.3, (0.4, 0.4), "ne la wo ti mai do ra le no"),
    )
    for seed, (voice, pitch, start_s, place, syllables) in enumerate(turns, 1610):
        rng = np.random.default_rng(seed)
        notes = []
        for index, syllable in enumerate(syllables.split()):
            length_s = rng.uniform(0.11, 0.24)
            falling = pitch + rng.normal(0, 1.6) - 0.45 * index
            loud_db = rng.normal(0, 2.5)
            notes.append(Note(start_s, 0.85 * length_s, falling, syllable, loud_db))
            start_s += length_s + (0.18 if index == 4 else 0.0)
        sound += choir(notes, rate, frames, voice, 1, seed + 10, np.zeros_like, place, TALKING)
    return in_room(sound, room(rate, 0.5, 1630), -10)


SONGS = (
    Song("Tallow and Twine", -15.0, tallow_and_twine),
    Song("Heron at the Sluice", -28.5, heron_at_the_sluice),
    Song("Seven Mooring Rings", -22.0, seven_mooring_rings),
    Song("The Tollkeeper’s Scales", -18.0, tollkeepers_scales),
    Song("Reel for a Wet Floor", -16.0, reel_for_a_wet_floor),
    Song("Lamp in the Sail Room", -24.0, lamp_in_the_sail_room),
)
TALK_DBFS = -37.0


def performed(song: Song, rate: int) -> np.ndarray:
    """Return a song at its level, as loud on the left as on the right, from its first sound on."""
    sound = without_rumble(song.perform(rate), rate)
    sound = at_level(sound / sound.std(axis=0), rate, song.level_dbfs, PEAK_DBFS)
    if song.perform is tollkeepers_scales:
        sound += held_through_the_hush(rate, len(sound))
    return from_first_sound(sound, rate)


def talked(rate: int) -> np.ndarray:
    """Return the talk at its level, from its first sound on."""
    return from_first_sound(at_level(without_rumble(talk(rate), rate), rate, TALK_DBFS), rate)


def from_first_sound(sound: np.ndarray, rate: int) -> np.ndarray:
    """Return a sound from its first sample of -50 dBFS on, faded at its end."""
    sound = sound[np.argmax(np.abs(sound).max(axis=1) > 10 ** (-50 / 20)) :]
    fall = np.clip(np.arange(len(sound))[::-1] / (0.5 * rate), 0, 1)
    return sound * fall[:, None]
