"""Compare `proof.zip` with the proof in the release, and its audio with the release's sound."""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from tempfile import TemporaryDirectory

from assembler.download.lossy import decoded
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError, mismatch
from assembler.finished.pcm import region_of_image
from assembler.proof.mailed import COVER, NAME, MailAudio, join_path, mailed, top_folder, track_path
from assembler.proof.page import FILES, PAGE, page_html
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import shorten
from assembler.verification.files import clips_of_sides, join_clips
from assembler.verification.pairs import mp3_rate_hz, played_sounds
from assembler.verification.proof import known_proof
from assembler.verification.sound import Sound, differences, sound_of

PATH = f"proof/{NAME}"
_GAIN_DB = 1.0
"""Tolerance of the gain of audio at a low bit rate."""


def mailed_proof(release: FinishedRelease) -> Iterator[Finding]:
    """Compare the entries of the archive with the release's files, and its audio with the sound."""
    made = release.report.mailed
    if made is None:
        yield mismatch("added-file", PATH, "is not in the report: build the release again")
        return
    audio = MailAudio(made.codec, made.kbps)
    sounds = dict(_sounds(release, audio))
    with zipfile.ZipFile(release.folder / PATH) as archive, TemporaryDirectory() as folder:
        top = f"{top_folder(release.report.name)}/"
        names = [entry.filename.removeprefix(top) for entry in archive.infolist()]
        expected = _expected(release)
        for name in sorted({*expected, *sounds, PAGE} ^ {*names}):
            what = "has" if name in names else "does not have"
            yield mismatch("other-package", PATH, f"{what} `{shorten(name)}`")
        sha256s: dict[str, str] = {}
        for name in names:
            content = archive.read(f"{top}{name}")
            sha256s[name] = hashlib.sha256(content).hexdigest()
            if name in expected and sha256s[name] != expected[name]:
                message = f"`{shorten(name)}` in it differs from the file of this release"
                yield mismatch("other-package", PATH, message)
            if name in sounds:
                file = Path(folder) / f"audio{audio.suffix}"
                file.write_bytes(content)
                yield from _other_sound(name, file, sounds[name], audio)
        page = mailed(known_proof(release), audio, release.manifest.proof.zip_limit, sha256s)
        if sha256s.get(PAGE) != hashlib.sha256(page_html(page).encode()).hexdigest():
            yield mismatch("other-package", PATH, "its page is not that of this release")


def _other_sound(name: str, file: Path, sound: Sound, audio: MailAudio) -> Iterator[Finding]:
    is_mp3 = audio.codec == "MP3"
    rate_hz = mp3_rate_hz(sound.rate_hz) if is_mp3 else 48000
    one = Sound(name, rate_hz, partial(decoded, file, "mp3" if is_mp3 else "opus"))
    try:
        for code, message in differences(sound, one, 0.0, _GAIN_DB, throughout=False):
            yield mismatch(code, PATH, f"`{name}` in it {message}")
    except Exception as error:  # a decoder may raise anything on a damaged file
        raise UnreadableError(PATH, f"`{name}` in it can't be decoded") from error


def _expected(release: FinishedRelease) -> dict[str, str]:
    """Return the SHA-256 of the entries that are copies, by path from the page."""
    digests = release.report.files
    sides = [f"sides/{name}" for clips in clips_of_sides(release) for name in clips.values()]
    names = (*FILES, "running-order.png", "levels.png", *sides)
    expected = {name: digests.get(f"proof/{name}", "") for name in names}
    if (
        cover := digests.get(release.manifest.cover_copy or "")
    ) and "download" in release.report.rooms:
        expected[COVER] = cover
    return expected


def _sounds(release: FinishedRelease, audio: MailAudio) -> Iterator[tuple[str, Sound]]:
    """Return what each audio file must sound like, by path from the page."""
    primary = release.primary
    for number, read in enumerate(played_sounds(release), 1):
        yield track_path(number, audio), read()
    if release.manifest.disc.make:
        for path, disc, start, end in join_clips(primary):
            frames = (start // SAMPLES_PER_FRAME, end // SAMPLES_PER_FRAME)
            sound = sound_of(region_of_image(primary, disc, *frames), "the image there")
            yield join_path(Path(path).stem, audio), sound
