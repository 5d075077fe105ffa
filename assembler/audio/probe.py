"""What a source file holds, read from its headers alone.

libsndfile reads first; mutagen tells of MP4 audio, which ffmpeg then decodes.
"""

from __future__ import annotations

import stat
from dataclasses import dataclass, field, replace
from fractions import Fraction
from pathlib import Path

import soundfile

from assembler.audio.chunks import promised_frames
from assembler.audio.declared_length import promised_bytes
from assembler.audio.digest import SourceDigest
from assembler.audio.endings import doubt_of_end, packets_of, tells_its_length
from assembler.audio.quiet_library import silenced
from assembler.audio.source_tags import MOST_AT_ONCE_BYTES, read_tagged
from assembler.errors import SourceError
from assembler.file_names import for_libsndfile
from assembler.text import clock_text, shorten

_BITS = {"PCM_S8": 8, "PCM_U8": 8, "PCM_16": 16, "PCM_24": 24, "PCM_32": 32}
_FLOATS = frozenset(["FLOAT", "DOUBLE"])
LEAST_RATE_HZ, MOST_RATE_HZ = 8000, 192000
UNTOLD_FRAMES = 1 << 62
"""libsndfile gives a length beyond this where a FLAC file tells none."""
MOST_UNCOUNTED_S = 1
"""What may follow the sound that a header counts: some programs fill a file up."""
_SHORTEST_PACKET_S = Fraction(1, 1000)
_PAF_24_BYTES = 32
"""Ten samples of 24 bits are stored in so many bytes."""


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
    doubt
        Why it may be cut, where its header promises no length.
    digest
        What the whole file held; None where nobody asked for it.
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
    def told(self) -> str:
        """The path as a message names it."""
        return told(self.path)

    @property
    def duration_s(self) -> Fraction:
        """Length in seconds."""
        return Fraction(self.frames, self.rate_hz)


def told(path: Path) -> str:
    """Return a path as a message names it: one line, whatever signs its name has."""
    return shorten(str(path), 400)


def probe(path: Path) -> SourceInfo:
    """Read a source file's headers.

    Raises
    ------
    SourceError
        The file is missing, no audio, empty, cut short, not mono or stereo, or at a rate outside
        8 to 192 kHz.
    """
    try:
        found = path.stat()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no such file or directory"
        message = f"{told(path)}: {reason.lower()}: check its path"
        raise SourceError(message, "missing-file") from error
    if not stat.S_ISREG(found.st_mode):
        raise SourceError(f"{told(path)}: is a folder or a device, not a file", "missing-file")
    if found.st_size == 0:
        raise SourceError(
            f"{told(path)}: the file is empty (0 bytes): ask for it again", "empty-file"
        )
    _refuse_giant_tag(path)
    info = _by_libsndfile(path) or _by_mutagen(path)
    if info is None or info.channels < 1:
        raise SourceError(
            f"{told(path)}: is not audio that can be read: use WAV, AIFF or FLAC",
            "unreadable-audio",
        )
    info = _as_packets_tell(info)
    _refuse_unusable(info)
    return replace(info, doubt=_doubt(info))


def _as_packets_tell(info: SourceInfo) -> SourceInfo:
    """Take the length of the packets where the header tells none, and libraries guess it.

    libsndfile reads no more of such an MP3 file than it guesses: ffmpeg decodes all of it.
    """
    container = info.kind.partition(" ")[0]
    if container == "MP3" and tells_its_length(info.path):
        return info
    packets = packets_of(info.path, container)
    return replace(info, frames=packets.samples, needs_ffmpeg=True) if packets else info


def _doubt(info: SourceInfo) -> str | None:
    block_bytes = _PAF_24_BYTES if info.kind == "PAF PCM_24" else (info.bits or 0) // 8
    return doubt_of_end(info.path, info.kind, info.channels * block_bytes)


def _refuse_giant_tag(path: Path) -> None:
    """Refuse an ID3 tag (id3.org, ID3v2.4, section 3.1) that a decoder would hold in memory."""
    try:
        with path.open("rb") as file:
            head = file.read(10)
    except OSError:
        return  # libsndfile's words follow
    if head[:3] != b"ID3":
        return
    size_bytes = sum((byte & 0x7F) << 7 * (3 - n) for n, byte in enumerate(head[6:]))
    if size_bytes > MOST_AT_ONCE_BYTES:
        raise SourceError(
            f"{told(path)}: begins with {size_bytes / 1e6:.0f} MB of tags: take them out",
            "unreadable-audio",
        )


def _by_libsndfile(path: Path) -> SourceInfo | None:
    try:
        with silenced():
            found = soundfile.info(for_libsndfile(path))
    except PermissionError as error:
        raise SourceError(f"{told(path)}: may not be read: change its permissions") from error
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
    found = read_tagged(path)
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
    path = info.told
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
    if info.frames >= UNTOLD_FRAMES:
        raise SourceError(
            f"{path}: does not tell its length (it was written to a pipe): encode it again",
            "length-not-declared",
        )
    promised = promised_frames(info.path)
    if promised is not None and promised > info.frames:
        raise SourceError(
            f"{path}: is cut short: its header promises {_length(promised, info)}, the file holds "
            f"{_length(info.frames, info)}: copy it again from the original",
            "truncated-file",
        )
    _refuse_other_length(info)
    if info.frames <= 0:
        raise SourceError(
            f"{path}: holds no sound, or its header was never finished (0 samples): ask again",
            "empty-file",
        )


def _refuse_other_length(info: SourceInfo) -> None:
    """Refuse a file that has less, or much more, than the bytes of sound its header counts."""
    promised = promised_bytes(info.path)
    if promised is None or info.frames <= 0 or promised.there <= 0:
        return
    found_s = Fraction(info.frames, info.rate_hz)
    whole_s = found_s * promised.size / promised.there
    if promised.is_cut and whole_s > found_s + _SHORTEST_PACKET_S:
        raise SourceError(
            f"{info.told}: is cut short: its header promises {clock_text(whole_s)}, the file holds "
            f"{clock_text(found_s)}: copy it again from the original",
            "truncated-file",
        )
    after_s = found_s * promised.after / promised.there
    if after_s > MOST_UNCOUNTED_S:
        raise SourceError(
            f"{info.told}: goes on for {clock_text(after_s)} after the {clock_text(found_s)} that "
            "its header counts: export it again (WAV counts 4 GB at the most; RF64 and W64 more)",
            "longer-than-promised",
        )


def _length(frames: int, info: SourceInfo) -> str:
    return f"{clock_text(Fraction(frames, info.rate_hz))} ({frames} samples)"
