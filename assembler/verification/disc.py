"""Compare image, cue sheet, CD-Text and archive with report and manifest."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import zip_longest

import numpy as np
import soundfile
from anyascii import anyascii
from mutagen.flac import FLAC
from numpy.typing import NDArray

from assembler.cancel import check_cancelled
from assembler.disc.archive import archive_comments
from assembler.disc.cd_text import cd_text
from assembler.disc.cd_text_reader import read_cd_text
from assembler.disc.cue import LINE_END, cue_remarks
from assembler.disc.cue_reader import CueTrackRead, read_cue
from assembler.disc.texts import ReleaseTexts, TrackTexts, release_texts, track_texts
from assembler.file_names import for_libsndfile
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch, reading
from assembler.finished.report_form import DiscReport, TrackReport
from assembler.manifest.codes import ean13
from assembler.manifest.disc_alphabet import ENCODING
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import clock_text, frames_text

BLOCK_FRAMES = 1 << 17
CLIPPED_RUN = 4
"""Consecutive samples at full scale that count as clipping (from memory: common practice)."""
_LEAD_OUT = 170  # RFC 9639: the lead-out's track number in a compact disc's cue sheet block


def _image_form(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    image = release.disc_file(disc.number, ".wav")
    found = soundfile.info(for_libsndfile(release.folder / image))
    form = (found.samplerate, found.channels, found.subtype)
    if form != (DISC_RATE_HZ, 2, "PCM_16"):
        message = f"is {form}, a disc needs 44100 Hz, stereo, 16 bit"
        yield mismatch("image-format", image, message)
    if found.frames != disc.frames * SAMPLES_PER_FRAME:
        message = f"has {found.frames} samples, the running order has {disc.frames} frames of 588"
        yield mismatch("image-length", image, message)


def _image_sound(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    """Find sound in pauses, and clipping."""
    image = release.disc_file(disc.number, ".wav")
    pauses = list(_pauses(release, disc))
    position = run = 0
    for block in _pcm(release, image):
        for first, last, name in pauses:
            part = block[max(first - position, 0) : max(last - position, 0)]
            if part.any():
                at_s = (position + max(first - position, 0)) / DISC_RATE_HZ
                message = f"has sound in {name} (at {clock_text(at_s)})"
                yield mismatch("sound-in-pause", image, message)
        is_loud = block.max() == 32767 or block.min() == -32768
        for edge in _long_runs(block, run) if is_loud else ():
            at_s = (position + edge) / DISC_RATE_HZ
            message = f"clips: {CLIPPED_RUN} or more samples at full scale at {clock_text(at_s)}"
            yield mismatch("clipped-run", image, message)
        run = _run_at_end(block, run) if is_loud else 0
        position += len(block)


def _pauses(release: FinishedRelease, disc: DiscReport) -> Iterator[tuple[int, int, str]]:
    """Return first sample, end and name of each pause in the image."""
    for _, track in release.tracks_of(disc.number):
        start = track.start_frame
        if track.gap_frames and start:
            begin = max(0, start - track.gap_frames)
            name = f"the pause before track {track.number}"
            yield begin * SAMPLES_PER_FRAME, start * SAMPLES_PER_FRAME, name
    end = disc.frames
    yield (end - disc.tail_frames) * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME, "the tail"


def _full_scale(block: NDArray[np.int16]) -> NDArray[np.bool_]:
    full: NDArray[np.bool_] = ((block == 32767) | (block == -32768)).any(axis=1)
    return full


def _long_runs(block: NDArray[np.int16], before: int) -> list[int]:
    """Return where runs at full scale become clipping; `before` such samples precede the block."""
    full = np.flatnonzero(_full_scale(block))
    if not len(full):
        return []
    steps = np.concatenate((np.arange(-before, 0), full))
    ends = steps[CLIPPED_RUN - 1 :]
    rows = ends - steps[: len(ends)] == CLIPPED_RUN - 1
    found = [int(end) for end in ends[rows]]
    return [end for n, end in enumerate(found) if n == 0 or end - found[n - 1] > 1]


def _run_at_end(block: NDArray[np.int16], before: int) -> int:
    below = np.flatnonzero(~_full_scale(block))
    run = len(block) - 1 - int(below[-1]) if len(below) else before + len(block)
    return min(run, CLIPPED_RUN - 1)


def _cue(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    name = release.disc_file(disc.number, ".cue")
    image = release.disc_file(disc.number, ".wav").removeprefix("disc/")
    content = (release.folder / name).read_bytes()
    sheet = read_cue(content.decode(ENCODING), name)
    if set(content.replace(LINE_END.encode(), b"")) & set(LINE_END.encode()):
        yield mismatch("cue-line-ends", name, "has lines that do not end with CR LF")
    found, expected = " ".join(f"{file} {kind}" for file, kind in sheet.files), f"{image} WAVE"
    if found != expected:
        yield mismatch("cue-file", name, f"names the image `{found}`, it is `{expected}`")
    texts = release_texts(release.manifest)
    if sheet.remarks != cue_remarks(texts):
        yield mismatch("cue-release", name, "its remarks do not match the manifest")
    expected_texts = _present(
        TITLE=texts.title,
        PERFORMER=texts.performer,
        SONGWRITER=texts.songwriter,
        CATALOG=ean13(texts.barcode) if texts.barcode else "",
    )
    if sheet.texts != expected_texts:
        yield mismatch("cue-release", name, "its text for the release does not match the manifest")
    tracks = release.tracks_of(disc.number)
    if [t.number for t in sheet.tracks] != [t.number for _, t in tracks]:
        message = f"has {len(sheet.tracks)} tracks, the disc {len(tracks)}"
        yield mismatch("cue-tracks", name, message)
        return
    for read, (index, track) in zip(sheet.tracks, tracks, strict=True):
        yield from _cue_track(name, read, track, track_texts(release.manifest, index))


def _cue_track(
    name: str, read: CueTrackRead, track: TrackReport, texts: TrackTexts
) -> Iterator[Finding]:
    which = f"track {read.number}"
    if read.kind != "AUDIO":
        yield mismatch("cue-tracks", name, f"{which} is `{read.kind}`, not `AUDIO`")
    expected = {int(number): frame for number, frame in track.indexes.items()}
    if read.indexes != expected:
        found, right = (
            ", ".join(frames_text(frame) for frame in sorted(indexes.values()))
            for indexes in (read.indexes, expected)
        )
        message = f"{which} has its indexes at {found}, not at {right}"
        yield mismatch("cue-times", name, message)
    right_texts = _present(
        TITLE=texts.title,
        PERFORMER=texts.performer,
        SONGWRITER=texts.songwriter,
        ISRC=texts.isrc or "",
        FLAGS=" ".join(texts.flags),
    )
    for key in sorted(right_texts.keys() | read.texts.keys()):
        text, right_text = read.texts.get(key), right_texts.get(key)
        if text != right_text:
            values = f"{_quoted(text)}, the manifest has {_quoted(right_text)}"
            yield mismatch(f"cue-{key.lower()}", name, f"{which}: {key} is {values}")


def _quoted(text: str | None) -> str:
    return f"`{text}`" if text else "missing"


def _present(**texts: str) -> dict[str, str]:
    return {key: text for key, text in texts.items() if text}


def _cd_text(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    name = release.disc_file(disc.number, ".cdtext")
    read = read_cd_text((release.folder / name).read_bytes(), name)
    tracks = release.tracks_of(disc.number)
    if read.tracks != len(tracks):
        message = f"has {read.tracks} tracks, the disc has {len(tracks)}"
        yield mismatch("cd-text-tracks", name, message)
        return
    disc_texts = release_texts(release.manifest)
    texts = [track_texts(release.manifest, index) for index, _ in tracks]
    expected = _cd_text_kinds(disc_texts, texts)
    left_out = cd_text(disc_texts, texts).left_out
    for kind in sorted(expected.keys() | read.texts.keys()):
        right = expected.get(kind, [""] * (len(tracks) + 1))
        if kind in left_out and kind not in read.texts:
            continue
        for number, text in enumerate(right):
            if (found := read.text(kind, number)) != text:
                which = f"track {number}" if number else "the release"
                values = f"{_quoted(found)}, the manifest has {_quoted(text)}"
                yield mismatch("cd-text", name, f"{which}: its {kind} is {values}")


def _cd_text_kinds(release: ReleaseTexts, tracks: Sequence[TrackTexts]) -> dict[str, list[str]]:
    """Return the expected texts by kind, of the disc and of its tracks."""
    texts: tuple[ReleaseTexts | TrackTexts, ...] = (release, *tracks)
    kinds = ("title", "performer", "songwriter", "composer", "arranger", "message")
    right = {kind: [getattr(one, kind) for one in texts] for kind in kinds}
    right["disc id"] = [str(anyascii(release.catalogue_number))]
    right["genre"] = [str(anyascii(release.genre))]
    barcode = ean13(release.barcode) if release.barcode else ""
    right["barcode and ISRC"] = [barcode, *(track.isrc or "" for track in tracks)]
    return {kind: values for kind, values in right.items() if any(values)}


def _archive(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    """Compare the archive's sound with the image, and its cue sheet block with the report."""
    image = release.disc_file(disc.number, ".wav")
    name = release.disc_file(disc.number, ".flac")
    position = 0
    for ours, theirs in zip_longest(_pcm(release, image), _pcm(release, name)):
        if ours is None or theirs is None or not np.array_equal(ours, theirs):
            message = f"decodes to other samples than the image from about sample {position} on"
            yield mismatch("archive-sound", name, message)
            break
        position += len(ours)
    file = FLAC(release.folder / name)
    sheet = file.cuesheet
    found = [
        (track.track_number, track.start_offset + point.index_offset)
        for track in (sheet.tracks if sheet else ())
        for point in (track.indexes if track.track_number != _LEAD_OUT else ())
    ]
    right = [
        (track.number, frame * SAMPLES_PER_FRAME)
        for _, track in release.tracks_of(disc.number)
        for frame in track.indexes.values()
    ]
    if found != right:
        message = "its cue sheet block has other index points than the report"
        yield mismatch("archive-cue", name, message)
    order = next(order for order in release.discs if order.number == disc.number)
    comments = archive_comments(release.manifest, order, len(release.discs))
    if list(file.tags or ()) != list(comments):
        message = "its Vorbis comments do not match the manifest"
        yield mismatch("archive-texts", name, message)


def _pcm(release: FinishedRelease, name: str) -> Iterator[NDArray[np.int16]]:
    with reading(name), soundfile.SoundFile(for_libsndfile(release.folder / name)) as file:
        while len(block := file.read(BLOCK_FRAMES, dtype="int16", always_2d=True)):
            check_cancelled()
            yield block


DISC_CHECKS: dict[str, tuple[str, Callable[[FinishedRelease, DiscReport], Iterator[Finding]]]] = {
    "image lengths and formats": (".wav", _image_form),
    "images for sound in pauses and clipping": (".wav", _image_sound),
    "cue sheets": (".cue", _cue),
    "CD-Text files": (".cdtext", _cd_text),
    "archive files against their image": (".flac", _archive),
}
"""The checks of each disc by name: the suffix of the file, and the check."""
