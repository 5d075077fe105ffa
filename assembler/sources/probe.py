"""What a source file holds, read from its headers alone.

libsndfile reads first; mutagen tells of MP4 audio, which ffmpeg then decodes.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path

import soundfile

from assembler.errors import SourceError
from assembler.manifest.times import clock_text

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = frozenset(["FLOAT", "DOUBLE"])
LEAST_RATE_HZ, MOST_RATE_HZ = 8000, 192000


@dataclass(frozen=True)
class SourceInfo:
    """One source file.

    Attributes
    ----------
    path
        The file.
    kind
        Container and coding in short: ``WAV PCM_24``.
    rate_hz
        Sample rate.
    channels
        1 or 2.
    frames
        Samples per channel.
    bits
        Width of whole-number samples; None for float and for lossy coding.
    lossy
        The coding loses something.
    needs_ffmpeg
        libsndfile can't read it; `frames` is then what the header promises.
    """

    path: Path
    kind: str
    rate_hz: int
    channels: int
    frames: int
    bits: int | None
    lossy: bool
    needs_ffmpeg: bool

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.frames, self.rate_hz)


def probe(path: Path) -> SourceInfo:
    """Read a source file's headers.

    Raises
    ------
    SourceError
        The file is missing, no audio, empty, cut short, not mono or stereo, or at a rate outside
        8 to 192 kHz.
    """
    if not path.exists():
        raise SourceError(f"{path}: there is no such file: check its path", "missing-file")
    if not path.is_file():
        raise SourceError(f"{path}: is a folder, not a file", "missing-file")
    if path.stat().st_size == 0:
        raise SourceError(f"{path}: the file is empty (0 bytes): ask for it again", "empty-file")
    info = _by_libsndfile(path) or _by_mutagen(path)
    if info is None:
        raise SourceError(
            f"{path}: is not audio that can be read: use WAV, AIFF or FLAC", "unreadable-audio"
        )
    _refuse_unusable(info)
    return info


def _by_libsndfile(path: Path) -> SourceInfo | None:
    try:
        found = soundfile.info(str(path))
    except PermissionError as error:
        raise SourceError(f"{path}: may not be read: change its permissions") from error
    except (soundfile.LibsndfileError, OSError):
        return None
    bits = _BITS.get(found.subtype)
    lossless = bits is not None or found.subtype in _FLOATS or found.subtype.startswith("ALAC")
    return SourceInfo(
        path=path,
        kind=f"{found.format} {found.subtype}",
        rate_hz=found.samplerate,
        channels=found.channels,
        frames=found.frames,
        bits=bits,
        lossy=not lossless,
        needs_ffmpeg=False,
    )


def _by_mutagen(path: Path) -> SourceInfo | None:
    import mutagen

    try:
        found = mutagen.File(path)
    except (mutagen.MutagenError, OSError):
        return None
    if found is None or not getattr(found.info, "sample_rate", 0):
        return None
    codec = getattr(found.info, "codec", "") or type(found).__name__
    lossless = codec.lower() in ("alac", "flac", "wavpack", "monkeysaudio")
    return SourceInfo(
        path=path,
        kind=f"{type(found).__name__} {codec}",
        rate_hz=found.info.sample_rate,
        channels=getattr(found.info, "channels", 2),
        frames=round(found.info.length * found.info.sample_rate),
        bits=getattr(found.info, "bits_per_sample", None) if lossless else None,
        lossy=not lossless,
        needs_ffmpeg=True,
    )


def _refuse_unusable(info: SourceInfo) -> None:
    path = info.path
    if info.channels > 2:
        raise SourceError(
            f"{path}: holds {info.channels} channels: mix it down to stereo, or name a mono file "
            "for each side with {left: …, right: …}",
            "too-many-channels",
        )
    if not LEAST_RATE_HZ <= info.rate_hz <= MOST_RATE_HZ:
        raise SourceError(
            f"{path}: has a sample rate of {info.rate_hz} Hz: rates from {LEAST_RATE_HZ} to "
            f"{MOST_RATE_HZ} Hz can be used",
            "bad-sample-rate",
        )
    promised = _promised_frames(info)
    if promised is not None and promised > info.frames:
        raise SourceError(
            f"{path}: is cut short: its header promises {_length(promised, info)}, the file holds "
            f"{_length(info.frames, info)}: copy it again from the original",
            "truncated-file",
        )
    if info.frames <= 0:
        raise SourceError(f"{path}: holds no sound (0 samples): ask for it again", "empty-file")


def _length(frames: int, info: SourceInfo) -> str:
    return f"{clock_text(Fraction(frames, info.rate_hz))} ({frames} samples)"


def _promised_frames(info: SourceInfo) -> int | None:
    """Give the length that the header of a WAV or AIFF promises, where it can be told.

    libsndfile takes what is there without a word, so the chunk sizes are read here: RIFF (IBM and
    Microsoft, 1991) and AIFF 1.3 (Apple, 1989) share the layout of id, size, content.
    """
    with info.path.open("rb") as file:
        head = file.read(12)
        order = {b"RIFF": "<", b"FORM": ">"}.get(head[:4])
        if order is None or head[8:12] not in (b"WAVE", b"AIFF", b"AIFC"):
            return None
        frame_bytes = 0
        while len(chunk := file.read(8)) == 8:
            name, size = chunk[:4], struct.unpack(order + "I", chunk[4:])[0]
            if name == b"fmt ":
                content = file.read(size + size % 2)
                frame_bytes = struct.unpack_from("<H", content, 12)[0] if size >= 14 else 0
            elif name == b"COMM":
                content = file.read(size + size % 2)
                return int(struct.unpack_from(">I", content, 2)[0]) if size >= 6 else None
            elif name == b"data":
                open_ended = size in (0, 0xFFFFFFFF, 0x7FFFFFFF)
                return None if open_ended or not frame_bytes else size // frame_bytes
            else:
                file.seek(size + size % 2, 1)
    return None
