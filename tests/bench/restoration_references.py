"""Each step beside ffmpeg, sox and noisereduce: python tests/bench/restoration_references.py [STEP]

Not a test: adds known faults to eight or more pieces of music, removes them with each program that
is installed, and prints medians over the pieces. noisereduce comes from the package index. Steps:
hiss, clicks, hum, eq, speed, compressor, limiter; all without an argument. None of these programs
repairs dropouts, wow or a followed azimuth, or has the standards of tape's playback equalisation.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray
from scipy.signal import sosfilt, stft

sys.path.insert(0, str(Path(__file__).parents[1]))
from made_music import KINDS, made_music
from outside import MUSIC_FOLDERS
from reference_meters import sixteen_times_peak_dbtp
from reference_programs import (
    RATE_HZ,
    Sound,
    ffmpeg,
    is_here,
    noisereduce,
    sox,
    sox_noise_reduction,
)
from restoration.added_clicks import Damaged, damaged
from restoration.added_hum import LEVELS_DB, SORTS, added_hum

from assembler.dsp.compressor import compress
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand, equalise
from assembler.dsp.limiter import limit
from assembler.restoration.analysis.hum import HumMeter
from assembler.restoration.repair.clicks import declick
from assembler.restoration.repair.hum import dehum
from assembler.restoration.repair.noise import denoise, measure_noise_print
from assembler.restoration.repair.speed import change_speed

Program = Callable[[Sound], Sound]
Array = NDArray[np.float64]
PIECES, FROM_S, LENGTH_S = 8, 20.0, 15.0
HISS_DBFS, REDUCTION_DB, NOISE_S = -50.0, 12.0, 2.0
HUM_DBFS, MAINS_HZ, SIDE_S, PAUSE_S = -40.0, 49.7, 40.0, 8.0
CLICKS = 40
COMPRESSOR = CompressorSettings(-24.0, 4.0, 0.02, 0.25, 6.0)
CEILING_DBTP, DRIVE_DB = -1.0, 6.0
FASTER = Fraction(126, 125)


def music(length_s: float) -> list[Sound]:
    """Return pieces of Debian's music at −20 dBFS RMS, or made ones without it."""
    pieces = []
    for path in [p for folder in MUSIC_FOLDERS.values() for p in sorted(folder.glob("*.*"))]:
        info = soundfile.info(path)
        if info.duration > FROM_S + length_s and info.channels == 2:
            first, frames = (round(s * info.samplerate) for s in (FROM_S, length_s))
            sound, rate_hz = soundfile.read(path, frames, first, dtype="float32")
            pieces.append(soxr.resample(sound, rate_hz, RATE_HZ))
    chosen = pieces[-3:] + pieces[: PIECES - 3] if pieces else []
    chosen = chosen or [made_music(kind, length_s) for kind in KINDS]
    centred = [piece - piece.mean(axis=0) for piece in chosen]
    return [(0.1 * piece / piece.std()).astype(np.float32) for piece in centred]


def blocks(sound: Sound) -> Iterator[Sound]:
    """Cut a sound into blocks."""
    for start in range(0, len(sound), 1 << 16):
        yield sound[start : start + (1 << 16)]


def joined(parts: Iterator[Sound]) -> Sound:
    """Return the samples of all blocks."""
    return np.concatenate(list(parts))


def power_db(sound: NDArray) -> float:
    """Return the mean square in dB."""
    return 10 * float(np.log10(max(np.mean(np.square(sound, dtype=np.float64)), 1e-20)))


def installed(programs: Mapping[str, Program]) -> dict[str, Program]:
    """Return the programs that are installed, by their first word; ours always."""
    return {
        name: run
        for name, run in programs.items()
        if name.startswith("ours") or is_here(name.split()[0])
    }


def print_table(title: str, heads: Sequence[str], rows: Mapping[str, Array]) -> None:
    """Print medians; rows: by program, shape (pieces, figures)."""
    pieces = len(next(iter(rows.values())))
    print(f"\n{title}; medians of {pieces}\n{'':28s}" + "".join(f"{head:>17s}" for head in heads))
    for name, figures in rows.items():
        print(f"{name:28s}" + "".join(f"{figure:17.2f}" for figure in np.median(figures, axis=0)))
    sys.stdout.flush()


def spectral_distance_db(sound: Sound, clean: Sound, floor_dbfs: float) -> float:
    """Return the log-spectral distance of two sounds, both with a floor in each bin."""
    floor = 10 ** (floor_dbfs / 10) / 512
    levels = []
    for one in (sound, clean):
        _, _, bins = stft(one.mean(axis=1), RATE_HZ, nperseg=1024)
        levels.append(10 * np.log10(np.maximum(np.abs(bins) ** 2, floor)))
    return float(np.sqrt(np.square(levels[0] - levels[1]).mean(axis=0)).mean())


def hiss() -> None:
    """Print noise reduction of white hiss, with a noise print of two seconds."""
    count = round(NOISE_S * RATE_HZ)
    programs = installed(
        {
            "ours": lambda sound: joined(
                denoise(
                    blocks(sound),
                    RATE_HZ,
                    measure_noise_print(blocks(sound[:count]), RATE_HZ),
                    REDUCTION_DB,
                )
            ),
            "ffmpeg afftdn": lambda sound: ffmpeg(
                f"asendcmd=c='0 afftdn sn start; {NOISE_S - 0.1} afftdn sn stop',"
                f"afftdn=nr={REDUCTION_DB}:nf={HISS_DBFS}",
                sound,
            ),
            "sox noisered 0.21": lambda sound: sox_noise_reduction(sound, sound[:count], 0.21),
            "noisereduce": lambda sound: noisereduce(sound, sound[:count], REDUCTION_DB),
        }
    )
    rows: dict[str, list[list[float]]] = {name: [] for name in programs}
    for number, piece in enumerate(music(LENGTH_S)):
        pause = np.zeros((count, 2), np.float32)
        clean = np.concatenate((pause, piece, pause))
        noise = np.random.default_rng(number).normal(0, 10 ** (HISS_DBFS / 20), clean.shape)
        noisy = (clean + noise).astype(np.float32)
        inside, after = slice(count, -count), slice(-round(1.5 * RATE_HZ), -RATE_HZ // 4)
        floor_dbfs = HISS_DBFS - REDUCTION_DB
        before_db = spectral_distance_db(noisy[inside], piece, floor_dbfs)
        for name, run in programs.items():
            done = run(noisy)
            rows[name].append(
                [
                    power_db((noisy - clean)[inside]) - power_db((done - clean)[inside]),
                    before_db,
                    spectral_distance_db(done[inside], piece, floor_dbfs),
                    power_db(noisy[after]) - power_db(done[after]),
                ]
            )
    heads = ("SNR gain dB", "LSD before dB", "LSD after dB", "pause lower dB")
    print_table(f"hiss at {HISS_DBFS:g} dBFS, reduction {REDUCTION_DB:g} dB", heads, arrays(rows))


def arrays(rows: Mapping[str, list[list[float]]]) -> dict[str, Array]:
    """Return the rows of a table as arrays."""
    return {name: np.array(figures) for name, figures in rows.items()}


def click_figures(piece: Damaged, done: Sound, undamaged: Sound) -> list[float]:
    """Return the figures of click repair: of a clicked piece, and of the undamaged one."""
    better, quality = [], []
    for click in piece.added:
        place = slice(max(0, click.first - 2), click.last + 2), click.channel
        before, after = (power_db(one[place] - piece.clean[place]) for one in (piece.clicked, done))
        better.append(before - after)
        quality.append(power_db(piece.clean[place]) - after)
    repaired = np.array(better) > 3
    changed = np.flatnonzero((undamaged != piece.clean).any(axis=1))
    runs = 1 + int((np.diff(changed) > RATE_HZ // 200).sum()) if len(changed) else 0
    return [
        float(repaired.mean()),
        float(np.median(np.array(better)[repaired])) if repaired.any() else 0.0,
        float(np.median(np.array(quality)[repaired])) if repaired.any() else 0.0,
        runs / (len(piece.clean) / RATE_HZ / 60),
        power_db(undamaged - piece.clean) - power_db(piece.clean),
    ]


def clicks() -> None:
    """Print click repair, and what it does to undamaged music."""
    programs = installed(
        {
            "ours, strength 5": lambda sound: joined(declick(blocks(sound), RATE_HZ, 5.0)),
            "ffmpeg adeclick": lambda sound: ffmpeg("adeclick", sound),
            "ffmpeg adeclick t=10": lambda sound: ffmpeg("adeclick=t=10", sound),
        }
    )
    rows: dict[str, list[list[float]]] = {name: [] for name in programs}
    for number, clean in enumerate(music(LENGTH_S)):
        piece = damaged(clean, np.random.default_rng(900 + number), CLICKS)
        for name, run in programs.items():
            rows[name].append(click_figures(piece, run(piece.clicked), run(piece.clean)))
    heads = ("recall", "error lower dB", "repair SNR dB", "false per min", "clean: error dB")
    print_table(f"clicks, {CLICKS} in {LENGTH_S:g} s", heads, arrays(rows))


def our_dehum(sound: Sound) -> Sound:
    """Return a sound without the hum that is found in it."""
    meter = HumMeter(RATE_HZ)
    for block in blocks(sound):
        meter.feed(block)
    return joined(dehum(blocks(sound), RATE_HZ, len(LEVELS_DB), meter.reading().stretches))


def notches(form: str, separator: str) -> str:
    """Return a cascade of notches at the harmonics."""
    return separator.join(form.format(hz=number * MAINS_HZ) for number in LEVELS_DB)


def hum_sides() -> Iterator[tuple[Sound, NDArray[np.bool_]]]:
    """Yield sides of two pieces with pauses, and where the pauses are."""
    pieces = music(SIDE_S)
    pause = np.zeros((round(PAUSE_S * RATE_HZ), 2), np.float32)
    for number, piece in enumerate(pieces):
        parts = (pause, piece, pause, pieces[(number + 1) % len(pieces)], pause)
        side = np.concatenate(parts)
        quiet = np.concatenate([np.full(len(part), part is pause) for part in parts])
        noise = np.random.default_rng(number).normal(0, 10 ** (-72 / 20), side.shape)
        yield (side + noise).astype(np.float32), quiet


def hum() -> None:
    """Print hum of five sorts removed, and what is done to music without hum."""
    programs = installed(
        {
            "ours": our_dehum,
            "ffmpeg bandreject, 2 Hz": lambda sound: ffmpeg(
                notches("bandreject=f={hz:.3f}:t=h:w=2", ","), sound
            ),
            "sox bandreject, 2 Hz": lambda sound: sox(
                notches("bandreject {hz:.3f} 2h", " "), sound
            ),
        }
    )
    sides = list(hum_sides())
    damage: dict[str, list[list[float]]] = {name: [] for name in programs}
    for side, _ in sides:
        for name, run in programs.items():
            damage[name].append([power_db(run(side) - side) - power_db(side)])
    for sort in SORTS:
        rows: dict[str, list[list[float]]] = {name: [] for name in programs}
        for side, quiet in sides:
            added = added_hum(sort, HUM_DBFS, len(side), RATE_HZ, MAINS_HZ)
            spoilt = (side + added).astype(np.float32)
            for name, run in programs.items():
                left = run(spoilt) - side
                rows[name].append([power_db(left), power_db(left[quiet]), power_db(added[quiet])])
        heads = ("residual dBFS", "in pauses dBFS", "pauses before")
        print_table(f"hum, {sort}, {HUM_DBFS:g} dBFS", heads, arrays(rows))
    print_table("hum: music without any", ("change re music",), arrays(damage))


def cookbook(shape: str, hz: float, gain_db: float, q: float) -> Array:
    """Return a section of the Audio EQ Cookbook (W3C Working Group Note, 2021)."""
    a, turn = 10 ** (gain_db / 40), 2 * np.pi * hz / RATE_HZ
    cosine, alpha, root = np.cos(turn), np.sin(turn) / (2 * q), np.sqrt(a)
    if shape == "high_pass":
        b = [(1 + cosine) / 2, -1 - cosine, (1 + cosine) / 2]
        return np.array([[*b, 1 + alpha, -2 * cosine, 1 - alpha]]) / (1 + alpha)
    if shape == "bell":
        b = [1 + alpha * a, -2 * cosine, 1 - alpha * a]
        return np.array([[*b, 1 + alpha / a, -2 * cosine, 1 - alpha / a]]) / (1 + alpha / a)
    more, less, sides = a + 1 + (a - 1) * cosine, a + 1 - (a - 1) * cosine, 2 * root * alpha
    b = [a * (more + sides), -2 * a * (a - 1 + (a + 1) * cosine), a * (more - sides)]
    return np.array([[*b, less + sides, 2 * (a - 1 - (a + 1) * cosine), less - sides]]) / (
        less + sides
    )


def equaliser() -> None:
    """Print the errors of three bands against the cookbook in double precision."""
    bands = [
        (FilterBand("high_pass", 20.0), 0.5**0.5, "highpass=f=20:p=2", "highpass -2 20"),
        (
            FilterBand("bell", 2500.0, 4.0, 1.0),
            1.0,
            "equalizer=f=2500:t=q:w=1:g=4",
            "equalizer 2500 1q 4",
        ),
        (
            FilterBand("high_shelf", 8000.0, -3.0),
            0.5**0.5,
            "treble=f=8000:t=q:w=0.5:g=-3",  # its Q of 0.5 is the cookbook's 0.707
            "treble -3 8000 0.70710678q",
        ),
    ]
    rows: dict[str, list[list[float]]] = {}
    for piece in music(LENGTH_S):
        at_s = np.arange(len(piece))[:, None] / RATE_HZ
        rumble = 0.03 * np.sin(2 * np.pi * np.array([[8.0, 9.0]]) * at_s)
        sound = (piece + rumble).astype(np.float32)
        errors: dict[str, list[float]] = {}
        for band, q, filter_, effect in bands:
            exact = cookbook(band.shape, band.hz, band.db, q)
            wanted = sosfilt(exact, sound.astype(np.float64), axis=0)
            programs: dict[str, Program] = {
                "ours": lambda sound, band=band: joined(equalise(blocks(sound), [band], RATE_HZ)),
                "ffmpeg": lambda sound, filter_=filter_: ffmpeg(filter_, sound),
                "sox": lambda sound, effect=effect: sox(effect, sound),
            }
            for name, run in installed(programs).items():
                errors.setdefault(name, []).append(power_db(run(sound) - wanted))
        for name, figures in errors.items():
            rows.setdefault(name, []).append(figures)
    heads = ("high-pass 20 Hz", "bell 2.5 kHz +4", "shelf 8 kHz -3")
    print_table("EQ: error dBFS", heads, arrays(rows))


def speed() -> None:
    """Print all that is not the tone, re the tone, after a correction of speed by +0.8 %."""
    programs = installed(
        {
            "ours": lambda sound: joined(change_speed(blocks(sound), RATE_HZ, FASTER)),
            "ffmpeg asetrate": lambda sound: ffmpeg(
                f"asetrate={RATE_HZ * FASTER},aresample={RATE_HZ}", sound, is_fitted=False
            ),
            "ffmpeg asetrate, soxr": lambda sound: ffmpeg(
                f"asetrate={RATE_HZ * FASTER},aresample={RATE_HZ}:resampler=soxr:precision=28",
                sound,
                is_fitted=False,
            ),
            "sox speed": lambda sound: sox(f"speed {float(FASTER)}", sound, is_fitted=False),
        }
    )
    tones_hz = (1000, 10_000, 20_000)
    rows = {}
    for name, run in programs.items():
        wrong = []
        for hz in tones_hz:
            middle = run(tone(hz, -6.0, 10.0))[4 * RATE_HZ : 6 * RATE_HZ]
            wrong.append(distortion_db(middle, hz * float(FASTER)))
        rows[name] = np.array([wrong])
    print_table("speed +0.8 %: THD+N dB", [f"{hz} Hz" for hz in tones_hz], rows)


def tone(hz: float, dbfs: float, length_s: float = 3.0) -> Sound:
    """Return a sine in both channels."""
    wave = 10 ** (dbfs / 20) * np.sin(
        2 * np.pi * hz * np.arange(round(length_s * RATE_HZ)) / RATE_HZ
    )
    return np.stack((wave, wave), axis=1).astype(np.float32)


def distortion_db(sound: Sound, hz: float) -> float:
    """Return all that is not the tone in the last second re the tone."""
    last = sound[-RATE_HZ:, 0].astype(np.float64)
    turns = 2 * np.pi * hz * np.arange(len(last)) / RATE_HZ
    waves = np.stack((np.cos(turns), np.sin(turns)), axis=1)
    fit = waves @ np.linalg.lstsq(waves, last, rcond=None)[0]
    return power_db(last - fit) - power_db(fit)


def wanted_level(dbfs: float) -> float:
    """Return the output level of the static curve with a soft knee (Giannoulis et al., 2012)."""
    over, slope, knee = dbfs - COMPRESSOR.threshold_db, 1 / COMPRESSOR.ratio - 1, COMPRESSOR.knee_db
    if 2 * abs(over) <= knee:
        return dbfs + slope * (over + knee / 2) ** 2 / (2 * knee)
    return dbfs + (slope * over if over > 0 else 0)


def compressor() -> None:
    """Print the error of the static curve, and the distortion of low tones 18 dB over."""
    knee = 10 ** (COMPRESSOR.knee_db / 20)
    threshold = 10 ** (COMPRESSOR.threshold_db / 20)
    programs = installed(
        {
            "ours": lambda sound: joined(compress(blocks(sound), COMPRESSOR, RATE_HZ)),
            "ffmpeg acompressor": lambda sound: ffmpeg(
                f"acompressor=threshold={threshold:.6f}:ratio=4:attack=20:release=250"
                f":knee={knee:.5f}:detection=peak",
                sound,
            ),
            "sox compand": lambda sound: sox("compand 0.02,0.25 6:-60,-60,-24,-24,0,-18", sound),
        }
    )
    levels = np.arange(-36.0, -2.0, 3.0)
    rows = {}
    for name, run in programs.items():
        read = [power_db(run(tone(1000, level))[-RATE_HZ:]) + 3.0103 for level in levels]
        errors = np.abs(np.array(read) - [wanted_level(level) for level in levels])
        bent = [distortion_db(run(tone(hz, -6.0)), hz) for hz in (60, 200)]
        rows[name] = np.array([[errors.max(), *bent]])
    heads = ("curve error dB", "THD+N 60 Hz dB", "THD+N 200 Hz dB")
    print_table("compressor, -24 dBFS 4:1, knee 6 dB, 20/250 ms, tones", heads, rows)


def limiter() -> None:
    """Print peaks over the ceiling of music driven 6 dB, and the distortion of a tone."""
    ceiling = 10 ** (CEILING_DBTP / 20)
    at = CEILING_DBTP - 12.0412
    below_full_scale = f"compand 0.001,0.1 -60,-60,{at:.4f},{at:.4f},0,{at:.4f} 0 -13 0.005"
    programs = installed(
        {
            "ours": lambda sound: joined(
                block for block, _ in limit(blocks(sound), RATE_HZ, CEILING_DBTP)
            ),
            "ffmpeg alimiter": lambda sound: ffmpeg(f"alimiter=limit={ceiling:.6f}:level=0", sound),
            "ffmpeg alimiter, 192 kHz": lambda sound: ffmpeg(
                f"aresample=192000,alimiter=limit={ceiling:.6f}:level=0,aresample={RATE_HZ}", sound
            ),
            "sox compand": lambda sound: 4 * sox(below_full_scale, sound / 4),
        }
    )
    rows: dict[str, list[list[float]]] = {name: [] for name in programs}
    for piece in music(LENGTH_S):
        driven = piece * np.float32(10 ** ((CEILING_DBTP + DRIVE_DB) / 20) / np.abs(piece).max())
        for name, run in programs.items():
            done = run(driven)
            over = sixteen_times_peak_dbtp(done, RATE_HZ) - CEILING_DBTP
            rows[name].append(
                [
                    over,
                    power_db(driven) - power_db(done),
                    distortion_db(run(tone(60, CEILING_DBTP + DRIVE_DB)), 60),
                ]
            )
    heads = ("over ceiling dB", "RMS lower dB", "THD+N 60 Hz dB")
    print_table(f"limiter, {DRIVE_DB:g} dB over {CEILING_DBTP:g} dBTP", heads, arrays(rows))


STEPS = {
    "hiss": hiss,
    "clicks": clicks,
    "hum": hum,
    "eq": equaliser,
    "speed": speed,
    "compressor": compressor,
    "limiter": limiter,
}


def main() -> None:
    """Measure the steps that are named, or all."""
    for name in sys.argv[1:] or STEPS:
        STEPS[name]()


if __name__ == "__main__":
    main()
