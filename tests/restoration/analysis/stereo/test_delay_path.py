"""The interchannel delay over a side, from made and real music with known delays.

The bounds on the loss in mono are the project's own.
"""

from __future__ import annotations

import functools

import numpy as np
import pytest
from excerpts import EXCERPTS, Excerpt, music
from made_music import made_music
from numpy.typing import NDArray
from restoration.faulty_music import RATE_HZ, hiss, in_blocks, joined, late, read
from restoration.wandering_tapes import (
    Course,
    drift,
    mono_loss_db,
    none,
    path_error_us,
    step,
    tape,
    weave,
)

from assembler.restoration.analysis.stereo.delay_path import DelayPathMeter, DelayPathReading
from assembler.restoration.analysis.stereo.interchannel_delay import BANDS_DISAGREE, TOO_LITTLE
from assembler.restoration.repair.delay import follow_delay

SHORT_S = 10.0
REAL = [one for one in EXCERPTS if one.file in ("Aberrations.ogg", "Nebula.ogg", "Coherence.ogg")]


def path_of(sound: NDArray[np.floating]) -> DelayPathReading:
    reading = read(DelayPathMeter(RATE_HZ), sound)
    assert isinstance(reading, DelayPathReading)
    return reading


def losses_db(own: NDArray[np.floating], course: Course) -> tuple[float, float, DelayPathReading]:
    """Return what mono loses on a tape and after it was followed, and the path."""
    damaged = tape(own, RATE_HZ, course)
    path = path_of(damaged)
    assert path.reason == ""
    followed = joined(follow_delay(in_blocks(damaged), RATE_HZ, path.delays_us, 0))
    assert len(followed) == len(own)
    before_db, after_db = (mono_loss_db(own, sound, RATE_HZ) for sound in (damaged, followed))
    return before_db, after_db, path


@functools.cache
def made(kind: str) -> NDArray[np.float64]:
    return made_music(kind, SHORT_S, RATE_HZ).astype(np.float64)


@pytest.mark.parametrize(
    ("course", "kind", "span_us", "most_db"),
    [
        (drift, "plucked", (10, 70), 0.2),
        pytest.param(step, "drums", (20, 60), 0.3, marks=pytest.mark.thorough),
        pytest.param(weave, "strings", (-25, 25), 0.6, marks=pytest.mark.thorough),
    ],
    ids=["drift", "step", "weave"],
)
def test_a_wandering_tape_keeps_its_treble_in_mono(
    course: Course, kind: str, span_us: tuple[float, float], most_db: float
) -> None:
    before_db, after_db, path = losses_db(made(kind), course)
    assert before_db > 1
    assert abs(after_db) <= most_db
    assert path.span_us == pytest.approx(span_us, abs=5)
    assert path.wanders
    assert path_error_us(path, SHORT_S, course) < 4


def test_opposite_polarity_and_hiss_do_not_matter() -> None:
    damaged = tape(made("speech"), RATE_HZ, drift) * [-1, 1]
    path = path_of(damaged + hiss(len(damaged), -75, 1))
    assert path_error_us(path, SHORT_S, drift) < 3


def test_silence_between_songs_is_bridged() -> None:
    own = made("plucked").copy()
    own[5 * RATE_HZ : 7 * RATE_HZ] = 0
    assert path_error_us(path_of(tape(own, RATE_HZ, drift)), SHORT_S, drift) < 4


@pytest.mark.parametrize("kind", ["drums", "speech"])
def test_an_undamaged_piece_has_no_audible_delay(kind: str) -> None:
    path = path_of(made(kind))
    assert path.reason == ""
    assert abs(path.largest_us) < 5
    assert not path.wanders


def placed(kind: str, late_us: float) -> NDArray[np.float64]:
    """Return a piece in mono, as a source that the right channel gets later."""
    mono = made(kind).mean(axis=1)
    return np.stack((mono, late(mono, late_us)), axis=1) / mono.std()


def in_turns() -> NDArray[np.float64]:
    """Return two sources in two places, one at a time for two seconds."""
    first = np.arange(len(made("plucked"))) // (2 * RATE_HZ) % 2 == 0
    return np.where(first[:, None], placed("plucked", -60), placed("speech", 60))


@pytest.mark.parametrize(
    ("sound", "reason"),
    [
        (lambda: np.zeros((RATE_HZ, 2)), TOO_LITTLE),
        (lambda: np.zeros((0, 2)), TOO_LITTLE),
        (lambda: hiss(5 * RATE_HZ, -30, 3), TOO_LITTLE),
        (lambda: placed("drums", -250) + placed("plucked", 60) + placed("speech", 200), TOO_LITTLE),
        (in_turns, "it jumps 4 times, as sources do that are apart"),
        (lambda: placed("drums", -60) + placed("plucked", 80), BANDS_DISAGREE),
    ],
    ids=["silence", "nothing", "hiss", "spaced microphones", "sources in turns", "two sources"],
)
def test_what_is_no_azimuth_is_not_determined(sound, reason: str) -> None:  # type: ignore[no-untyped-def]
    own = sound()
    path = path_of(0.05 * own)
    assert (path.delays_us, path.reason) == ((), reason)
    assert (path.span_us, path.wanders) == ((0, 0), False)


@pytest.mark.thorough
@pytest.mark.debian_music
@pytest.mark.parametrize("excerpt", REAL, ids=str)
def test_real_music_on_wandering_tapes(excerpt: Excerpt) -> None:
    own = music(excerpt)[0][-15 * RATE_HZ :]
    for course, most_db in ((drift, 0.2), (step, 0.3), (weave, 0.6)):
        before_db, after_db, _ = losses_db(own, course)
        assert before_db > 0.9
        assert abs(after_db) <= most_db
    assert abs(path_of(tape(own, RATE_HZ, none)).largest_us) < 5
