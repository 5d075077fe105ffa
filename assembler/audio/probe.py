"""Read format and length of a source file from its headers.

libsndfile comes first; mutagen reads the headers of what ffmpeg then decodes, such as MP4.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import soundfile

from assembler.audio.chunks import declared_frames
from assembler.audio.declared_length import declared_bytes
from assembler.audio.endings import declares_length, end_warning, packets_of
from assembler.audio.quiet_library import silenced
from assembler.audio.source_tags import (
    ID3_HEADER_BYTES,
    MAX_READ_BYTES,
    id3_bytes,
    read_tagged,
)
from assembler.digest import SourceDigest
from assembler.errors import SourceError
from assembler.file_names import for_libsndfile
from assembler.text import clock_text, shorten

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = frozenset(["FLOAT", "DOUBLE"])
LEAST_RATE_HZ, MOST_RATE_HZ = 8000, 192000
UNKNOWN_FRAMES = 1 << 62
"""libsndfile returns a length beyond this where a FLAC file declares none."""
MOST_UNCOUNTED_S = 1
"""Longest tolerated data after the declared sound: some programs pad files."""
_SHORTEST_PACKET_S = Fraction(1, 1000)
_PAF_24_BYTES = 32
"""Bytes of ten samples of 24 bits."""


@dataclass(frozen=True)
class SourceInfo:
    """One source file.

    Attributes
    ----------
    path
        The file.
    kind
        Container and coding: ``WAV PCM_24``.
    rate_hz
        Sample rate.
    channels
        1 or 2.
    frames
        Samples per channel.
    bits
        Bit depth; None for float and for lossy coding.
    lossy
        Whether the coding is lossy.
    needs_ffmpeg
        libsndfile can't read the file; `frames` is then what the header declares.
    doubt
        Sign that the file may be cut, where its header declares no length.
    digest
        Digest of the whole file; None where it was not computed.
    """

    path: Path
    kind: str
    rate_hz: int
    channels: int
    frames: int
    bits: int | None
    lossy: bool
    needs_ffmpeg: bool
    doubt: str | None = None
    digest: SourceDigest | None = field(default=None, compare=False, repr=False)

    @property
    def path_text(self) -> str:
        """The path for messages."""
        return path_text(self.path)

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.frames, self.rate_hz)


def path_text(path: Path) -> str:
    """Return a path for messages: one line, whatever characters its name has."""
    return shorten(str(path), 400)


def probe(path: Path) -> SourceInfo:
    """Read a source file's headers.

    Raises
    ------
    SourceError
        The file is missing, not audio, empty, truncated, not mono or stereo, or its rate is not
        within 8 to 192 kHz.
    """
    try:
        status = path.stat()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no such file or directory"
        message = f"{path_text(path)}: {reason.lower()}: check the path"
        raise SourceError(message, "missing-file") from error
    if not stat.S_ISREG(status.st_mode):
        message = f"{path_text(path)}: this is a folder or a device, not a file: check the path"
        raise SourceError(message, "missing-file")
    if status.st_size == 0:
        message = f"{path_text(path)}: the file is empty (0 bytes): ask the sender for a new copy"
        raise SourceError(message, "empty-file")
    _refuse_giant_tag(path)
    info = _by_libsndfile(path) or _by_mutagen(path)
    if info is None or info.channels < 1:
        raise SourceError(
            f"{path_text(path)}: this is not audio in a readable format: use WAV, AIFF or FLAC",
            "unreadable-audio",
        )
    info = _with_packet_length(info)
    _refuse_unusable(info)
    return replace(info, doubt=_doubt(info))


def _with_packet_length(info: SourceInfo) -> SourceInfo:
    """Use the length of the packets where the header declares none and libraries guess it.

    libsndfile reads no more of such an MP3 file than its guess: ffmpeg decodes all of it.
    """
    container = info.kind.partition(" ")[0]
    if container == "MP3" and declares_length(info.path):
        return info
    packets = packets_of(info.path, container)
    return replace(info, frames=packets.samples, needs_ffmpeg=True) if packets else info


def _doubt(info: SourceInfo) -> str | None:
    block_bytes = _PAF_24_BYTES if info.kind == "PAF PCM_24" else (info.bits or 0) // 8
    return end_warning(info.path, info.kind, info.channels * block_bytes)


def _refuse_giant_tag(path: Path) -> None:
    """Refuse an ID3 tag too large for a decoder's memory."""
    try:
        with path.open("rb") as file:
            size_bytes = id3_bytes(file.read(ID3_HEADER_BYTES))
    except OSError:
        return  # libsndfile reports it
    if size_bytes > MAX_READ_BYTES:
        raise SourceError(
            f"{path_text(path)}: the file begins with {size_bytes / 1e6:.0f} MB of tags: remove "
            "the tags",
            "unreadable-audio",
        )


def _by_libsndfile(path: Path) -> SourceInfo | None:
    try:
        with silenced():
            info = soundfile.info(for_libsndfile(path))
    except PermissionError as error:
        message = f"{path_text(path)}: permission denied: change the file's permissions"
        raise SourceError(message) from error
    except (soundfile.LibsndfileError, OSError):
        return None
    bits = _BITS.get(info.subtype)
    lossless = bits is not None or info.subtype in _FLOATS or info.subtype.startswith("ALAC")
    return SourceInfo(
        path=path,
        kind=f"{info.format} {info.subtype}",
        rate_hz=info.samplerate,
        channels=info.channels,
        frames=info.frames,
        bits=bits,
        lossy=not lossless,
        needs_ffmpeg=False,
    )


def _by_mutagen(path: Path) -> SourceInfo | None:
    tagged = read_tagged(path)
    if tagged is None or not getattr(tagged.info, "sample_rate", 0):
        return None
    info = tagged.info
    codec = getattr(info, "codec", "") or type(tagged).__name__
    lossless = codec.lower() in ("alac", "flac", "wavpack", "monkeysaudio")
    return SourceInfo(
        path=path,
        kind=f"{type(tagged).__name__} {codec}",
        rate_hz=info.sample_rate,
        channels=getattr(info, "channels", 2),
        frames=round(info.length * info.sample_rate),
        bits=getattr(info, "bits_per_sample", None) if lossless else None,
        lossy=not lossless,
        needs_ffmpeg=True,
    )


def _refuse_unusable(info: SourceInfo) -> None:
    path = info.path_text
    if info.channels > 2:
        raise SourceError(
            f"{path}: the file has {info.channels} channels: mix it down to stereo, or name one "
            "mono file per channel with {left: …, right: …}",
            "too-many-channels",
        )
    if not LEAST_RATE_HZ <= info.rate_hz <= MOST_RATE_HZ:
        raise SourceError(
            f"{path}: the sample rate is {info.rate_hz} Hz: use a file at {LEAST_RATE_HZ} to "
            f"{MOST_RATE_HZ} Hz",
            "bad-sample-rate",
        )
    if info.frames >= UNKNOWN_FRAMES:
        raise SourceError(
            f"{path}: the header declares no length (it was written to a pipe): encode it again",
            "length-not-declared",
        )
    declared = declared_frames(info.path)
    if declared is not None and declared > info.frames:
        raise SourceError(
            f"{path}: the file is truncated: its header declares {_length(declared, info)}, the "
            f"file has {_length(info.frames, info)}: copy it again from the original",
            "truncated-file",
        )
    _refuse_other_length(info)
    if info.frames <= 0:
        raise SourceError(
            f"{path}: there is no sound in the file, or its header is unfinished (0 samples): ask "
            "the sender for a new copy",
            "empty-file",
        )


def _refuse_other_length(info: SourceInfo) -> None:
    """Refuse a file with fewer, or many more, bytes of sound than its header declares."""
    declared = declared_bytes(info.path)
    if declared is None or info.frames <= 0 or declared.present <= 0:
        return
    present_s = Fraction(info.frames, info.rate_hz)
    declared_s = present_s * declared.size / declared.present
    if declared.is_truncated and declared_s > present_s + _SHORTEST_PACKET_S:
        raise SourceError(
            f"{info.path_text}: the file is truncated: its header declares "
            f"{clock_text(declared_s)}, the file has {clock_text(present_s)}: copy it again from "
            "the original",
            "truncated-file",
        )
    after_s = present_s * declared.after / declared.present
    if after_s > MOST_UNCOUNTED_S:
        raise SourceError(
            f"{info.path_text}: the file has {clock_text(after_s)} more after the "
            f"{clock_text(present_s)} that its header declares: export it again (a WAV file can "
            "declare at most 4 GB; RF64 and W64 more)",
            "longer-than-promised",
        )


def _length(frames: int, info: SourceInfo) -> str:
    return f"{clock_text(Fraction(frames, info.rate_hz))} ({frames} samples)"
