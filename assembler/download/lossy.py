"""Lossy files that do not clip: encoded, test-decoded, and re-encoded at lower level if needed.

Lossy coding changes peaks: sound under the ceiling may decode above full scale. So every finished
file is decoded in float and its true peak measured (AES TD1008 recommends headroom; a decode is
certain). Where it is too high the PCM is lowered by the excess and rounded without dither: the
rounding error of 24 bits is some 90 dB below that of the coding.

All files of a group are lowered by the same amount, which keeps their balance and the level across
a segue.
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
from assembler.download.formats import Container, FormatFacts, encode, encode_file
from assembler.download.playing_levels import PlayingLevels
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude, decibels
from assembler.dsp.true_peak import PeakMeter
from assembler.errors import AssemblerError
from assembler.file_names import for_libsndfile
from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile
from assembler.text import signed

MOST_ROUNDS = 5
_MARGIN_DB = 0.02
"""Re-encoded at lower level, peaks do not fall by exactly the same amount."""
_BLOCK_FRAMES = 1 << 16

Run = Callable[[Callable[["LossyPiece"], float | None], list["LossyPiece"]], Iterable[float | None]]


@dataclass(frozen=True)
class LossyPiece:
    """One lossy file to make."""

    pcm: Callable[[], Iterable[NDArray[np.int32]]]
    """Function that returns the track's PCM from the start, in blocks of shape (frames, 2)."""
    rate_hz: int
    facts: FormatFacts
    target: Path
    group: Hashable
    """Files of the same group are lowered by the same amount."""
    lowered_db: float = 0.0
    """By how much the PCM is lowered."""
    file: Path | None = None
    """Lossless file with the same PCM, if there is one."""
    track: str = ""
    """Key of the PCM."""


@dataclass(frozen=True)
class LossyResult:
    """The result of encoding a lossy file."""

    peak_before_dbtp: float | None
    peak_after_dbtp: float | None
    """Decoded true peak of the first encoding and of the finished file; None for silence."""
    lowered_db: float
    """By how much its PCM was lowered."""
    rounds: int
    """How often it was encoded."""


def encode_below_ceiling(
    pieces: Sequence[LossyPiece], ceiling_dbtp: float = 0.0, run: Run = map
) -> list[LossyResult]:
    """Encode lossy files so that their decoded true peak does not exceed a ceiling.

    Parameters
    ----------
    pieces
        The files of all lossy formats; the longest first, so that all cores finish together.
    ceiling_dbtp
        Highest true peak of a decoded file.
    run
        Like `map`; an executor's `map` encodes files in parallel.

    Returns
    -------
    list of LossyResult
        One per piece, in their order. After `MOST_ROUNDS` a peak may still exceed the ceiling.

    Raises
    ------
    AssemblerError
        ffmpeg failed.
    """
    peaks = list(run(encode_and_measure, list(pieces)))
    results: dict[int, LossyResult] = {}
    for group in dict.fromkeys(piece.group for piece in pieces):
        own = [i for i, piece in enumerate(pieces) if piece.group == group]
        lowered = lower_group([pieces[i] for i in own], [peaks[i] for i in own], ceiling_dbtp, run)
        results |= zip(own, lowered, strict=True)
    return [results[i] for i in range(len(pieces))]


def lower_group(
    pieces: Sequence[LossyPiece],
    peaks_dbtp: Sequence[float | None],
    ceiling_dbtp: float,
    run: Run = map,
) -> list[LossyResult]:
    """Encode the files of one group again, all at the same lower level, while a peak is too high.

    Parameters
    ----------
    pieces
        The files.
    peaks_dbtp
        Decoded true peaks of their first encoding.
    ceiling_dbtp, run
        As for `encode_below_ceiling`.
    """
    results = [LossyResult(peak, peak, 0.0, 1) for peak in peaks_dbtp]
    lowered_db = 0.0
    for round_number in range(2, MOST_ROUNDS + 1):
        peaks = [one.peak_after_dbtp for one in results if one.peak_after_dbtp is not None]
        over_db = max(peaks, default=ceiling_dbtp) - ceiling_dbtp
        if over_db <= 0:
            break
        lowered_db += over_db + _MARGIN_DB
        lower = [replace(piece, lowered_db=lowered_db) for piece in pieces]
        again = run(encode_and_measure, lower)
        results = [
            LossyResult(first, peak, lowered_db, round_number)
            for first, peak in zip(peaks_dbtp, again, strict=True)
        ]
    return results


def encode_and_measure(piece: LossyPiece) -> float | None:
    """Encode a file and return its decoded true peak; None for silence.

    Raises
    ------
    AssemblerError
        ffmpeg failed, or the file decodes to another length.
    """
    if piece.file and not piece.lowered_db:
        length = encode_file(piece.file, piece.facts, piece.target)
    else:
        pcm = _lowered(piece.pcm(), piece.lowered_db)
        length = encode(pcm, piece.rate_hz, piece.facts, piece.target)
    reading = read_decoded(piece.target, piece.rate_hz, piece.facts.container)
    if reading.length_samples != length:
        raise AssemblerError(
            f"{piece.target.name}: the file decodes to {reading.length_samples} samples, not "
            f"{length}: please report this"
        )
    return reading.peak_dbtp


def _lowered(pcm: Iterable[NDArray[np.int32]], lowered_db: float) -> Iterator[NDArray[np.int32]]:
    if not lowered_db:
        yield from pcm
        return
    gain = amplitude(-lowered_db)
    for block in pcm:
        yield np.rint(block * gain).astype(np.int32)


@dataclass(frozen=True)
class DecodedReading:
    """Reading of a decoded file."""

    peak_dbtp: float | None
    """True peak; None for silence."""
    length_samples: int


def read_decoded(path: Path, rate_hz: int, container: Container) -> DecodedReading:
    """Measure the true peak and the length of a file, decoded by `decoded`."""
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
    of its samples; Vorbis because ffmpeg loses the end of a file of one or two Ogg pages, up to 575
    samples. A format always has the same decoder, so that its peaks are comparable.

    Yields
    ------
    ndarray of float32, shape (frames, 2)

    Raises
    ------
    AssemblerError
        The file can't be decoded.
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
        message = f"{path.name}: the file can't be decoded: build the release again"
        raise AssemblerError(message) from error


def _decoded_by_ffmpeg(path: Path) -> Iterator[Samples]:
    command = [ffmpeg_program(), "-nostdin", "-v", "error", *ALONE, "-i", f"file:{path}"]
    command += ["-map", "0:a:0", "-f", "f32le", "-"]
    with child_process(command, stdout=subprocess.PIPE) as process:
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
    loc: Loc = ("download",),
) -> Iterator[Finding]:
    """Report where files were lowered, one finding per format and amount, and where it failed.

    Parameters
    ----------
    made
        Format, index of the track (from 0) and result of each file.
    ceiling_dbtp
        Highest true peak of a decoded file.
    loc
        Place in the manifest of the files' set.
    """
    lowered: dict[tuple[str, float], list[tuple[int, LossyResult]]] = defaultdict(list)
    for name, index, result in made:
        if result.lowered_db:
            lowered[name, result.lowered_db].append((index, result))
        if result.peak_after_dbtp is not None and result.peak_after_dbtp > ceiling_dbtp:
            message = (
                f"{name}: track {index + 1} still decodes to "
                f"{signed(result.peak_after_dbtp, 2)} dBTP after {result.rounds} rounds: lower "
                "`download.level.ceiling`"
            )
            yield source.finding("warning", "lossy-over-ceiling", ("tracks", index), message)
    for (name, lowered_db), tracks in lowered.items():
        index, loudest = max(tracks, key=lambda pair: pair[1].peak_before_dbtp or -np.inf)
        numbers = ", ".join(str(i + 1) for i, _ in tracks)
        message = (
            f"{name}: track {index + 1} decoded to {signed(loudest.peak_before_dbtp, 2)} dBTP, so "
            f"tracks {numbers} were re-encoded {lowered_db:.2f} dB lower: to avoid it, lower "
            "`download.level.ceiling`"
        )
        yield source.finding("note", "lossy-lowered", loc, message)


def levels_as_coded(
    levels: Sequence[PlayingLevels], results: Sequence[LossyResult]
) -> list[PlayingLevels]:
    """Return the playing levels of one format's files from those of the PCM before encoding."""
    peaks = [0.0 if r.peak_after_dbtp is None else amplitude(r.peak_after_dbtp) for r in results]
    return [
        replace(one.lowered(result.lowered_db), track_peak=peak, album_peak=max(peaks))
        for one, result, peak in zip(levels, results, peaks, strict=True)
    ]
