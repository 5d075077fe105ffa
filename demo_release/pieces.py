"""The seven sources of *Songs for Slack Water*: their tunes, and how each is performed."""

from collections.abc import Callable

import numpy as np
import tunes
from instruments import bells, drum_hit, harmonium, placed, rattle_hit, timber_hit
from score import (
    Note,
    Sung,
    end_beat,
    four_parts,
    swell,
    tempo,
    tied,
    timed,
    tune,
)
from spaces import (
    at_level,
    crackle,
    faded,
    filtered,
    hiss,
    in_room,
    room,
    without_rumble,
    wow,
)
from voices import Manner, choir

QUIET = Manner(tilt=1.45, breath_db=-31, attack_s=0.13, vibrato_cents=16)
HEARTY = Manner(tilt=0.85, attack_s=0.05, vibrato_cents=24, detune_cents=8)
SECTIONS = {
    "soprano": ("women", (-0.75, -0.1), 0.0),
    "alto": ("women", (-0.05, 0.7), -2.0),
    "tenor": ("men", (-0.6, 0.05), -1.5),
    "bass": ("men", (0.05, 0.8), -0.5),
}

# Seconds of side-b.flac: the first sound after the hiss, the bar where Bell Buoy becomes
# Undertow (the harmonium holds E minor across it) and the end of the last decay.
SIDE_B_START_S = 3.0
SIDE_B_SEGUE_S = 67.0
SIDE_B_END_S = 142.5
SIDE_B_LENGTH_S = 147.0


def sections(
    melody: list[Sung],
    at: Callable[[float], float],
    start_s: float,
    rate: int,
    frames: int,
    singers: int,
    seed: int,
    swell_db: Callable[[np.ndarray], np.ndarray],
    manner: Manner,
) -> np.ndarray:
    """Return a choir of four sections that sings a harmonised melody, stereo."""
    sound = np.zeros((frames, 2), np.float32)
    for index, (part, line) in enumerate(four_parts(melody).items()):
        voice, place, level_db = SECTIONS[part]
        notes = timed(line, at, start_s)
        section = choir(notes, rate, frames, voice, singers, seed + index, swell_db, place, manner)
        sound += 10 ** (level_db / 20) * section
    return sound


def reeds(
    melody: list[Sung],
    at: Callable[[float], float],
    start_s: float,
    parts: tuple[str, ...] = ("alto", "tenor", "bass"),
) -> list[Note]:
    """Return the held notes with which a harmonium accompanies a harmonised melody."""
    setting = four_parts(melody)
    return [note for part in parts for note in tied(timed(setting[part], at, start_s))]


def then(*texts: str) -> list[Sung]:
    """Return tunes one after another."""
    line: list[Sung] = []
    for text in texts:
        line += tune(text, end_beat(line) if line else 0.0)
    return line


def low_lantern(rate: int) -> np.ndarray:
    """Return a quiet choir over a harmonium."""
    frames, start_s = 75 * rate, 0.6
    at = tempo((0, 60), (64, 60), (70, 50))
    prelude = tune(tunes.LOW_LANTERN_PRELUDE)
    song = tune(tunes.LOW_LANTERN, 6)
    swell_db = swell(
        at,
        (6, -8),
        (14, -4),
        (22, -8),
        (32, -1),
        (38, -5),
        (42, -3),
        (54, -11),
        (62, -6),
        (73, -13),
        start_s=start_s,
    )
    sound = sections(song, at, start_s, rate, frames, 4, 110, swell_db, QUIET)
    accompaniment = reeds(prelude, at, start_s, ("soprano", "alto", "tenor", "bass"))
    accompaniment += reeds(song, at, start_s, ("tenor", "bass"))
    sound += 0.16 * harmonium(accompaniment, rate, frames, 120)
    sound = in_room(sound, room(rate, 2.6, 130), -3)
    return at_level(faded(without_rumble(sound, rate), rate, 0.3, 1.5), rate, -27)


def tide_table(rate: int) -> np.ndarray:
    """Return the loudest song: calls, answers, drum and rattle."""
    frames, start_s = 60 * rate, 0.25
    at = tempo((0, 102), (92, 102), (99, 92))
    calls, answers = [], []
    for beat, high in ((0, 0), (16, 1), (32, 0), (48, 1)):
        calls += tune(tunes.TIDE_CALL_HIGH if high else tunes.TIDE_CALL, beat)
        answers += tune(tunes.TIDE_ANSWER_HIGH if high else tunes.TIDE_ANSWER, beat + 8)
    answers += tune(tunes.TIDE_CHORUS, 64) + tune(tunes.TIDE_CHORUS_LAST, 80)
    swell_db = swell(at, (0, -5), (30, -3), (34, -3), (62, -1), (64, 0), (99, 1), start_s=start_s)
    sound = sections(answers, at, start_s, rate, frames, 5, 210, swell_db, HEARTY)
    for transpose, place, seed in ((0, (-0.4, 0.3), 220), (-12, (-0.2, 0.5), 221)):
        notes = timed(calls, at, start_s, transpose)
        sound += 1.2 * choir(notes, rate, frames, "men", 5, seed, swell_db, place, HEARTY)
    rng = np.random.default_rng(230)
    low = [drum_hit(rate, rng, 62) for _ in range(3)]
    high = [drum_hit(rate, rng, 96) for _ in range(3)]
    seeds = [rattle_hit(rate, rng) for _ in range(6)]
    deep, light, shaken = [], [], []
    for bar in range(24):
        grown_db = np.interp(bar, [0, 4, 8, 16, 24], [-5, -3, -2, 0, 1])
        deep += [(start_s + at(4 * bar + b), grown_db + db) for b, db in ((0, 0), (2, -2))]
        light += [(start_s + at(4 * bar + b), grown_db + db) for b, db in ((1.5, -7), (3, -4))]
        light += [(start_s + at(4 * bar + 3.5), grown_db - 6)] if bar % 2 else []
        if bar >= 4:
            shaken += [
                (start_s + at(4 * bar + b / 2), grown_db - (8, 13, 5, 13)[b % 4]) for b in range(8)
            ]
    deep.append((start_s + at(96), 2))
    sound += 6.0 * placed(low, deep, rate, frames, 231, 0.05)
    sound += 4.5 * placed(high, light, rate, frames, 232, -0.2)
    sound += 2.6 * placed(seeds, shaken, rate, frames, 233, 0.55)
    sound = in_room(sound, room(rate, 1.5, 240), -6)
    return at_level(faded(without_rumble(sound, rate), rate, 0.05, 0.8), rate, -13.0)


def ropewalk(rate: int) -> np.ndarray:
    """Return a round for four groups that come in from left and right by turns."""
    frames, start_s, phrases = 50 * rate, 0.4, 9
    at = tempo((0, 138), (100, 138), (108, 112))
    sound = np.zeros((frames, 2), np.float32)
    groups = (("women", 0, -0.95), ("men", -12, 0.95), ("women", 0, 0.7), ("men", -12, -0.7))
    for entry, (voice, transpose, side) in enumerate(groups):
        line = [
            n
            for n in then(tunes.ROPEWALK, tunes.ROPEWALK, tunes.ROPEWALK)
            if n.beat < 12 * (phrases - entry)
        ]
        line = [n._replace(beat=n.beat + 12 * entry) for n in line]
        notes = timed(line, at, start_s, transpose)
        place = (side - 0.05, side + 0.05) if abs(side) < 0.9 else (side, side)
        swell_db = swell(
            at, (12 * entry, -1), (12 * entry + 10, -3), (96, -2), (108, -6), start_s=start_s
        )
        sound += choir(notes, rate, frames, voice, 2, 310 + entry, swell_db, place)
    sound = in_room(sound, room(rate, 1.3, 330), -7)
    return at_level(faded(without_rumble(sound, rate), rate, 0.05, 1.0), rate, -20)


def bell_buoy(rate: int, frames: int, start_s: float) -> np.ndarray:
    """Return bells over a harmonium that holds its last chord eight seconds too long."""
    at = tempo((0, 60), (400, 60))
    struck_db = swell(at, (0, -7), (30, -1), (52, -1), (64, -5))
    strikes = [
        n._replace(start_s=n.start_s + start_s, level_db=float(struck_db(np.array(n.start_s))))
        for n in timed(tune(tunes.BELL_BUOY_BELLS), at)
    ]
    held = reeds(tune(tunes.BELL_BUOY_CHORDS), at, start_s)
    end_s = max(n.start_s + n.length_s for n in held)
    held = [
        n._replace(length_s=n.length_s + 8) if n.start_s + n.length_s > end_s - 0.1 else n
        for n in held
    ]
    bellows = swell(at, (0, -7), (12, 0), (58, 0), (64, -1), (73, -18), start_s=start_s)
    reed = harmonium(held, rate, frames, 420, octave_up_db=-20)
    reed *= 10 ** (bellows(np.arange(frames) / rate) / 20)[:, None]
    return 5.0 * bells(strikes, rate, frames, 410) + 0.24 * reed


def undertow(rate: int, frames: int, start_s: float) -> np.ndarray:
    """Return a low choir with a slow drum."""
    at = tempo((0, 54), (56, 54), (64, 44))
    marks = ((0, -6), (12, -2), (16, -5), (30, 1), (36, 3), (46, -3), (50, -4), (68, -12))
    swell_db = swell(at, *marks, start_s=start_s)
    song = tune(tunes.UNDERTOW)
    manner = QUIET._replace(tilt=1.3)
    sung = sections(song, at, start_s, rate, frames, 4, 430, swell_db, manner)
    rng = np.random.default_rng(440)
    strokes = [
        (start_s + at(beat), (-9 if beat % 4 else -3) + 0.6 * swell_db(start_s + at(beat)))
        for beat in range(0, 63, 2)
    ]
    hits = [drum_hit(rate, rng, 48) for _ in range(3)]
    return sung + 1.5 * placed(hits, strokes, rate, frames, 441)


def side_b(rate: int) -> np.ndarray:
    """Return one side of tape: hiss, Bell Buoy, Undertow without a break, hiss."""
    frames = int(SIDE_B_LENGTH_S * rate)
    sound = bell_buoy(rate, frames, SIDE_B_START_S + 0.1)
    # Voices lead their beat a little, and none may sound before the boundary.
    boundary = int(SIDE_B_SEGUE_S * rate)
    sound[boundary:] += undertow(rate, frames - boundary, 0.2)
    sound = in_room(sound, room(rate, 2.8, 450), -2)
    gone = np.clip((SIDE_B_END_S - np.arange(frames) / rate) / 4, 0, 1)
    sound = without_rumble(sound * np.sin(gone * np.pi / 2)[:, None] ** 2, rate)
    sound = np.tanh(at_level(sound, rate, -16) * 1.2) / 1.2
    sound = wow(filtered(sound, rate, 45, 9500, 1), rate, 460, 0.09)
    sound = at_level(sound, rate, -28)
    return faded(sound + 10 ** (-66 / 20) * hiss(frames, 2, rate, 470), rate, 0.4, 0.4)


def ferrymans_grace(rate: int) -> np.ndarray:
    """Return an old man alone on a worn disc, mono."""
    frames, start_s = 46 * rate, 1.6
    at = tempo((0, 58), (8, 62), (10, 54), (19, 62), (28, 58), (36, 56), (41, 48))
    manner = Manner(
        vibrato_cents=48, vibrato_hz=5.6, wander_cents=12, tilt=1.05, breath_db=-27, age=1.0
    )
    swell_db = swell(
        at,
        (0, -4),
        (6, 0),
        (10, -4),
        (16, 2),
        (20, -3),
        (24, 2),
        (30, -3),
        (41, -7),
        start_s=start_s,
    )
    voice = choir(
        timed(tune(tunes.FERRYMANS_GRACE), at, start_s),
        rate,
        frames,
        "men",
        1,
        510,
        swell_db,
        (0, 0),
        manner,
    )
    mono = in_room(voice, room(rate, 0.7, 520), -10).mean(axis=1, keepdims=True)
    worn = filtered(np.tanh(1.2 * mono / mono.std() / 4), rate, 180, 4200)
    worn = at_level(wow(worn, rate, 530, 0.16), rate, -30)
    worn = worn + 10 ** (-62 / 20) * hiss(frames, 1, rate, 540)
    worn = worn + 10 ** (-23 / 20) * crackle(frames, rate, 550, 9)[:, None]
    return faded(without_rumble(worn, rate), rate, 0.3, 0.6)[:, 0]


def counting_the_piles(rate: int) -> np.ndarray:
    """Return knocks on timber with calls, from very soft to very loud."""
    frames, start_s = 39 * rate, 0.3
    at = tempo((0, 96), (52, 96), (56, 84))
    swell_db = swell(at, (0, -16), (16, -11), (32, -5), (44, -1), (48, 2), (58, 2), start_s=start_s)
    sound = choir(
        timed(tune(tunes.PILES_CALLS), at, start_s),
        rate,
        frames,
        "men",
        1,
        610,
        swell_db,
        (-0.25, -0.25),
        HEARTY._replace(vibrato_cents=14),
    )
    answers = [note for beat, text in tunes.PILES_ANSWERS for note in tune(text, beat)]
    sound += 1.1 * sections(answers, at, start_s, rate, frames, 3, 620, swell_db, HEARTY)
    rng = np.random.default_rng(630)
    high = [timber_hit(rate, rng, hz) for hz in (410, 415, 405)]
    low = [timber_hit(rate, rng, hz) for hz in (262, 258)]
    skins = [drum_hit(rate, rng, 58) for _ in range(3)]
    seeds = [rattle_hit(rate, rng) for _ in range(5)]
    knocked, answered, beaten, shaken = [], [], [], []
    for bar in range(13):
        grown_db = np.interp(bar, [0, 3, 8, 12], [-14, -9, -3, 2])
        knocked += [
            (start_s + at(4 * bar + b), grown_db + db)
            for b, db in ((0, 0), (0.75, -6), (1.5, -3), (2.5, -5), (3.25, -7))
        ]
        if bar >= 2:
            answered += [(start_s + at(4 * bar + b), grown_db - db) for b, db in ((1, 3), (3, 1))]
        if bar >= 5:
            beaten += [(start_s + at(4 * bar + b), grown_db) for b in (0, 2.5)]
        if bar >= 7:
            shaken += [
                (start_s + at(4 * bar + b / 2), grown_db - 6 - 5 * (b % 2)) for b in range(8)
            ]
    last_s = start_s + at(54)
    beaten += [(start_s + at(52), 3), (start_s + at(53), 3), (last_s, 5)]
    knocked.append((last_s, 4))
    sound += 2.2 * placed(high, knocked, rate, frames, 631, -0.4)
    sound += 2.2 * placed(low, answered, rate, frames, 632, 0.45)
    sound += 3.0 * placed(skins, beaten, rate, frames, 633, 0.0)
    sound += 1.2 * placed(seeds, shaken, rate, frames, 634, 0.6)
    sound = in_room(sound, room(rate, 1.9, 640), -6)
    return at_level(faded(without_rumble(sound, rate), rate, 0.05, 1.0), rate, -18)


def harbour_psalm(rate: int) -> np.ndarray:
    """Return a psalm for all: choir, harmonium and bells, with a long decay."""
    frames, start_s = 72 * rate, 0.5
    at = tempo((0, 76), (54, 76), (60, 64), (66, 54))
    song = tune(tunes.HARBOUR_PSALM, 6)
    swell_db = swell(
        at,
        (6, -6),
        (14, -3),
        (20, -4),
        (28, 0),
        (34, -7),
        (46, -6),
        (48, -2),
        (55, 2),
        (66, 1),
        start_s=start_s,
    )
    sound = sections(song, at, start_s, rate, frames, 5, 710, swell_db, Manner(tilt=1.0))
    sound += 0.22 * harmonium(reeds(song, at, start_s), rate, frames, 720)
    peal = tune(tunes.HARBOUR_PEAL)
    loud_db = swell(
        at,
        (0, -9),
        (6, -4),
        (20, -4),
        (34, -9),
        (48, -3),
        (60, -2),
        (64, -4),
        (70, -2),
        start_s=start_s,
    )
    strikes = [
        n._replace(level_db=float(loud_db(np.array(n.start_s)))) for n in timed(peal, at, start_s)
    ]
    sound += 4.0 * bells(strikes, rate, frames, 730, 14)
    sound = in_room(sound, room(rate, 4.2, 740), -2)
    return at_level(faded(without_rumble(sound, rate), rate, 0.05, 3.0), rate, -17)
