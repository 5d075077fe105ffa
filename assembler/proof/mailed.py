"""The proof as one file for a mail: the page with audio of its own, below a stated size.

A mail's attachment grows by 37 % in base64 (RFC 2045: four characters for three bytes, and a line
end after 76), so that 18 MB fill the 25 MB that many mail providers accept (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from assembler.proof.content import Heard, Proof

NAME = "proof.zip"
MAIL_CODE = "proof-too-big-to-mail"
"""Code of the finding where no encoding fits."""
AUDIO, JOINS = "audio", "joins"
"""Folders of its tracks and of its joins."""
COVER = "cover.jpg"
_MP3_KBPS = (320, 256, 224, 192, 160, 128)
_OPUS_KBPS = (96, 80, 64, 56, 48, 40, 32, 24)
"""Every browser plays MP3; below 128 kbit/s Opus sounds better and most browsers play it."""
_SPREAD = 1.02
"""How far encoded files may exceed their nominal size: headers and packets of Opus."""
_FILE_BYTES = 1500
"""Headers of one audio file and of its entry in the archive."""


@dataclass(frozen=True)
class MailAudio:
    """How the audio of a mailed proof is encoded."""

    codec: Literal["MP3", "Opus"]
    kbps: int

    @property
    def suffix(self) -> str:
        """Of its files."""
        return ".mp3" if self.codec == "MP3" else ".opus"

    @property
    def text(self) -> str:
        """Codec and bit rate in words."""
        return f"{self.codec} at {self.kbps} kbit/s"

    @property
    def coding(self) -> tuple[str, ...]:
        """Arguments for ffmpeg."""
        rate = ("-b:a", f"{self.kbps}k")
        if self.codec == "MP3":
            return ("-f", "mp3", "-id3v2_version", "0", "-c:a", "libmp3lame", *rate)
        opus = ("-f", "opus", "-serial_offset", "1", "-c:a", "libopus")
        return (*opus, *rate, "-vbr", "constrained")

    def bytes_for(self, durations_s: Sequence[float]) -> float:
        """Return how much room files of these durations need."""
        return sum(durations_s) * self.kbps * 125 * _SPREAD + len(durations_s) * _FILE_BYTES


ALL: tuple[MailAudio, ...] = (
    *(MailAudio("MP3", kbps) for kbps in _MP3_KBPS),
    *(MailAudio("Opus", kbps) for kbps in _OPUS_KBPS),
)
"""The best first."""


def fitting(durations_s: Sequence[float], room_bytes: float) -> Iterator[MailAudio]:
    """Return the encodings whose files should fit into some room, the best first."""
    return (audio for audio in ALL if audio.bytes_for(durations_s) <= room_bytes)


def top_folder(name: str) -> str:
    """Return the folder in the archive that holds everything."""
    return f"{name} proof"


def track_path(running_number: int, audio: MailAudio) -> str:
    """Return the path of a track's audio, from the page."""
    return f"{AUDIO}/{running_number:02d}{audio.suffix}"


def join_path(name: str, audio: MailAudio) -> str:
    """Return the path of a join's clip, from the page."""
    return f"{JOINS}/{name}{audio.suffix}"


def mailed(proof: Proof, audio: MailAudio, limit_mb: float, sha256s: Mapping[str, str]) -> Proof:
    """Return a proof as it is mailed: its page stands beside its audio.

    Parameters
    ----------
    proof
        As it is in the release.
    audio
        How its audio is encoded.
    limit_mb
        The size that it stays below.
    sha256s
        Of its audio, by path.
    """
    tracks = tuple(
        replace(track, listen=track_path(track.metadata.running_number, audio))
        for track in proof.tracks
    )
    return replace(
        proof,
        tracks=tracks,
        base="",
        cover=COVER if proof.cover else None,
        clip_suffix=audio.suffix,
        mail_text=f"{audio.text}, so that it stays below {limit_mb:g} MB",
        heard=Heard(
            audio.text,
            tuple(sha256s.get(track.listen or "", "") for track in tracks),
            proof.heard.editions if proof.heard else "",
        ),
    )
