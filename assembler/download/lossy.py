"""Lossy files that do not clip: encoded, decoded, measured, and if need be encoded again, lower.

A lossy code keeps no peaks: what stood under the ceiling may decode above full scale. So every
finished file is decoded in float and its true peak read (AES TD1008 asks for room; a decode tells
for sure). Where it is too high the words are lowered by what is needed, scaled and
rounded without dither: the rounding of 24-bit words lies some 90 dB below the code's own error.

Files of one group are lowered alike, so that their balance stays and a segue keeps its level.
"""

from __future__ import annotations

import subprocess
from collections import defaultdict
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.audio.ffmpeg import ALONE, ffmpeg_program
from assembler.cancel import check_cancelled, child_process
from assembler.download.formats import Container, FormatFacts, encode
from assembler.download.playing_levels import PlayingLevels
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude, decibels
from assembler.dsp.true_peak import PeakMeter
from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.manifest import ManifestFile

MOST_ROUNDS = 5
_MARGIN_DB = 0.02
"""Lowered words are coded anew, and their peaks do not fall by exactly the same."""
_BLOCK_FRAMES = 1 << 16

Run = Callable[[Callable[["LossyPiece"], float | None], list["LossyPiece"]], Iterable[float | None]]


@dataclass(frozen=True)
class LossyPiece:
    """One lossy file to make.

    Attributes
    ----------
    words
        Gives the track's words from the start, in blocks of shape (frames, 2), each time anew.
    rate_hz
        Their rate.
    facts
        The format.
    target
        The file.
    group
        Files with the same group are lowered alike.
    lowered_db
        How far the words are lowered.
    """

    words: Callable[[], Iterable[NDArray[np.int32]]]
    rate_hz: int
    facts: FormatFacts
    target: Path
    group: Hashable
    lowered_db: float = 0.0


@dataclass(frozen=True)
class LossyResult:
    """What became of a lossy file.

    Attributes
    ----------
    peak_before_dbtp, peak_after_dbtp
        True peak of the first decode and of the finished file's; None for silence.
    lowered_db
        How far its words were lowered.
    rounds
        How often it was encoded.
    """

    peak_before_dbtp: float | None
    peak_after_dbtp: float | None
    lowered_db: float
    rounds: int


def encode_below_ceiling(
    pieces: Sequence[LossyPiece], ceiling_dbtp: float = 0.0, run: Run = map
) -> list[LossyResult]:
    """Make lossy files whose decoded true peak does not exceed a ceiling.

    Parameters
    ----------
    pieces
        The files of all lossy formats; the longest first, so that the cores end together.
    ceiling_dbtp
        Highest true peak of a decoded file.
    run
        Like `map`; an executor's `map` works on the files side by side.

    Returns
    -------
    list of LossyResult
        One a piece, in their order. After `MOST_ROUNDS` a peak may still exceed the ceiling.

    Raises
    ------
    AssemblerError
        ffmpeg failed.
    """
    peaks = list(run(_encode_and_measure, list(pieces)))
    results = [LossyResult(peak, peak, 0.0, 1) for peak in peaks]
    lowered: dict[Hashable, float] = defaultdict(float)
    for round_number in range(2, MOST_ROUNDS + 1):
        excess = _excess_by_group(pieces, results, ceiling_dbtp)
        if not excess:
            break
        for group, over_db in excess.items():
            lowered[group] += over_db + _MARGIN_DB
        again = [i for i, piece in enumerate(pieces) if piece.group in excess]
        lower = [replace(pieces[i], lowered_db=lowered[pieces[i].group]) for i in again]
        for i, piece, peak in zip(again, lower, run(_encode_and_measure, lower), strict=True):
            first = results[i].peak_before_dbtp
            results[i] = LossyResult(first, peak, piece.lowered_db, round_number)
    return results


def _excess_by_group(
    pieces: Sequence[LossyPiece], results: Sequence[LossyResult], ceiling_dbtp: float
) -> dict[Hashable, float]:
    excess: dict[Hashable, float] = {}
    for piece, result in zip(pieces, results, strict=True):
        peak = result.peak_after_dbtp
        if peak is not None and peak > ceiling_dbtp:
            excess[piece.group] = max(excess.get(piece.group, 0.0), peak - ceiling_dbtp)
    return excess


def _encode_and_measure(piece: LossyPiece) -> float | None:
    words = _lowered(piece.words(), piece.lowered_db)
    length = encode(words, piece.rate_hz, piece.facts, piece.target)
    reading = read_decoded(piece.target, piece.rate_hz, piece.facts.container)
    if reading.length_samples != length:
        raise AssemblerError(
            f"{piece.target.name}: decodes to {reading.length_samples} samples, its sound has "
            f"{length}: please report this"
        )
    return reading.peak_dbtp


def _lowered(words: Iterable[NDArray[np.int32]], lowered_db: float) -> Iterator[NDArray[np.int32]]:
    if not lowered_db:
        yield from words
        return
    gain = amplitude(-lowered_db)
    for block in words:
        yield np.rint(block * gain).astype(np.int32)


@dataclass(frozen=True)
class DecodedReading:
    """What a file decodes to.

    Attributes
    ----------
    peak_dbtp
        Its true peak; None for silence.
    length_samples
        Of the sound.
    """

    peak_dbtp: float | None
    length_samples: int


def read_decoded(path: Path, rate_hz: int, container: Container) -> DecodedReading:
    """Measure the true peak and the length of a file as it decodes.

    Parameters
    ----------
    path, rate_hz
        The file and its rate.
    container
        Chooses the decoder, as in `decoded`.

    Raises
    ------
    AssemblerError
        It can't be decoded.
    """
    meter = PeakMeter(rate_hz, 2)
    length = 0
    for block in decoded(path, container):
        length += len(block)
        meter.feed(block)
    meter.finish()
    return DecodedReading(decibels(meter.true_peak), length)


def decoded(path: Path, container: Container) -> Iterator[Samples]:
    """Decode a stereo file in float, so that nothing is clipped.

    MP3 and Ogg Vorbis are decoded by libsndfile: MP3 in a third of ffmpeg's time and to within 1e-5
    of its samples; Vorbis because ffmpeg misses the end of a file of one or two Ogg pages, by up to
    575 samples. A file has one decoder, whatever its name, so that its peak is one figure.

    Yields
    ------
    ndarray of float32, shape (frames, 2)

    Raises
    ------
    AssemblerError
        It can't be decoded.
    """
    by_libsndfile = container in ("mp3", "ogg")
    return _decoded_by_libsndfile(path) if by_libsndfile else _decoded_by_ffmpeg(path)


def _decoded_by_libsndfile(path: Path) -> Iterator[Samples]:
    try:
        with soundfile.SoundFile(for_libsndfile(path)) as file:
            while len(block := file.read(_BLOCK_FRAMES, "float32", always_2d=True)):
                check_cancelled()
                yield block
    except soundfile.LibsndfileError as error:
        raise AssemblerError(f"{path.name}: can't be decoded: build the release again") from error


def _decoded_by_ffmpeg(path: Path) -> Iterator[Samples]:
    command = [ffmpeg_program(), "-nostdin", "-v", "error", *ALONE, "-i", f"file:{path}"]
    command += ["-map", "0:a:0", "-f", "f32le", "-"]
    started = subprocess.Popen(
        command,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )
    with child_process(started) as process:
        assert process.stdout is not None
        while data := process.stdout.read(_BLOCK_FRAMES * 8):
            check_cancelled()
            yield np.frombuffer(data, "<f4").reshape(-1, 2)
    if process.returncode != 0:
        raise AssemblerError(f"{path.name}: ffmpeg can't decode it: build the release again")


def lossy_findings(
    source: ManifestFile,
    made: Iterable[tuple[str, int, LossyResult]],
    ceiling_dbtp: float = 0.0,
) -> Iterator[Finding]:
    """Tell where files were lowered, one finding a format and lowering, and where it failed.

    Parameters
    ----------
    source
        The manifest.
    made
        Format, index of the track (from 0) and what became of it.
    ceiling_dbtp
        As it was asked.
    """
    lowered: dict[tuple[str, float], list[tuple[int, LossyResult]]] = defaultdict(list)
    for name, index, result in made:
        if result.lowered_db:
            lowered[name, result.lowered_db].append((index, result))
        if result.peak_after_dbtp is not None and result.peak_after_dbtp > ceiling_dbtp:
            message = (
                f"{name}: track {index + 1} still decodes to {result.peak_after_dbtp:+.2f} dBTP "
                f"after {result.rounds} rounds: lower `download.level.ceiling`"
            )
            yield source.finding("warning", "lossy-over-ceiling", ("tracks", index), message)
    for (name, lowered_db), tracks in lowered.items():
        index, loudest = max(tracks, key=lambda pair: pair[1].peak_before_dbtp or -np.inf)
        numbers = ", ".join(str(i + 1) for i, _ in tracks)
        message = (
            f"{name}: coding raised track {index + 1} to {loudest.peak_before_dbtp:+.2f} dBTP, so "
            f"its files were made {lowered_db:.2f} dB lower (tracks {numbers}); "
            f"`download.level.ceiling` leaves room from the start"
        )
        yield source.finding("note", "lossy-lowered", ("download",), message)


def levels_as_coded(
    levels: Sequence[PlayingLevels], results: Sequence[LossyResult]
) -> list[PlayingLevels]:
    """Return the playing levels of one format's files, from those of the words they were made of.

    Parameters
    ----------
    levels
        Of each track's words.
    results
        Of its file, in the same order.
    """
    peaks = [0.0 if r.peak_after_dbtp is None else amplitude(r.peak_after_dbtp) for r in results]
    return [
        replace(one.lowered(result.lowered_db), track_peak=peak, album_peak=max(peaks))
        for one, result, peak in zip(levels, results, peaks, strict=True)
    ]
