"""Read the disc's files back: image, cue sheet, CD-Text and archive against report and manifest."""

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
from assembler.finished.finished import FinishedRelease, disagreement, reading
from assembler.finished.report_form import DiscReport, TrackReport
from assembler.manifest.codes import ean13
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import clock_text, frames_text

BLOCK_FRAMES = 1 << 17
CLIPPED_RUN = 4
"""So many samples in a row at full scale are taken for clipping (common practice, no source)."""
_LEAD_OUT = 170  # RFC 9639: the lead-out's track number in a compact disc's cue sheet block


def _image_form(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    image = release.disc_file(disc["number"], ".wav")
    found = soundfile.info(for_libsndfile(release.folder / image))
    form = (found.samplerate, found.channels, found.subtype)
    if form != (DISC_RATE_HZ, 2, "PCM_16"):
        message = f"is {form}, a disc wants 44100 Hz, stereo, 16 bit"
        yield disagreement("image-format", image, message)
    if found.frames != disc["frames"] * SAMPLES_PER_FRAME:
        message = f"has {found.frames} samples, the running order {disc['frames']} frames of 588"
        yield disagreement("image-length", image, message)


def _image_sound(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    """Look for sound in pauses, and for clipping."""
    image = release.disc_file(disc["number"], ".wav")
    pauses = list(_pauses(release, disc))
    position = run = 0
    for block in _words(release, image):
        for first, last, name in pauses:
            part = block[max(first - position, 0) : max(last - position, 0)]
            if part.any():
                at_s = (position + max(first - position, 0)) / DISC_RATE_HZ
                message = f"there is sound in {name} (at {clock_text(at_s)})"
                yield disagreement("sound-in-pause", image, message)
        is_loud = block.max() == 32767 or block.min() == -32768
        for edge in _long_runs(block, run) if is_loud else ():
            message = f"{CLIPPED_RUN} samples or more at full scale in a row at "
            message += clock_text((position + edge) / DISC_RATE_HZ)
            yield disagreement("clipped-run", image, message)
        run = _run_at_end(block, run) if is_loud else 0
        position += len(block)


def _pauses(release: FinishedRelease, disc: DiscReport) -> Iterator[tuple[int, int, str]]:
    """Give first sample, end and name of each pause inside the image."""
    for _, track in release.tracks_of(disc["number"]):
        start = track["start_frame"]
        if track["gap_frames"] and start:
            begin = max(0, start - track["gap_frames"])
            name = f"the pause before track {track['number']}"
            yield begin * SAMPLES_PER_FRAME, start * SAMPLES_PER_FRAME, name
    end = disc["frames"]
    yield (end - disc["tail_frames"]) * SAMPLES_PER_FRAME, end * SAMPLES_PER_FRAME, "the tail"


def _full_scale(block: NDArray[np.int16]) -> NDArray[np.bool_]:
    full: NDArray[np.bool_] = ((block == 32767) | (block == -32768)).any(axis=1)
    return full


def _long_runs(block: NDArray[np.int16], before: int) -> list[int]:
    """Give where runs at full scale become too long; `before` such samples precede the block."""
    full = np.flatnonzero(_full_scale(block))
    if not len(full):
        return []
    steps = np.concatenate((np.arange(-before, 0), full))
    ends = steps[CLIPPED_RUN - 1 :]
    rows = ends - steps[: len(ends)] == CLIPPED_RUN - 1
    found = [int(end) for end in ends[rows]]
    return [end for n, end in enumerate(found) if n == 0 or end - found[n - 1] > 1]


def _run_at_end(block: NDArray[np.int16], before: int) -> int:
    calm = np.flatnonzero(~_full_scale(block))
    run = len(block) - 1 - int(calm[-1]) if len(calm) else before + len(block)
    return min(run, CLIPPED_RUN - 1)


def _cue(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    name = release.disc_file(disc["number"], ".cue")
    image = release.disc_file(disc["number"], ".wav").removeprefix("disc/")
    content = (release.folder / name).read_bytes()
    sheet = read_cue(content, name)
    if set(content.replace(LINE_END.encode(), b"")) & set(LINE_END.encode()):
        yield disagreement("cue-line-ends", name, "has lines that do not end with CR LF")
    told, right = f"{sheet.file} {sheet.file_kind}", f"{image} WAVE"
    if told != right:
        yield disagreement("cue-file", name, f"names the image `{told}`, it is `{right}`")
    words = release_texts(release.manifest)
    if sheet.remarks != cue_remarks(words):
        yield disagreement("cue-release", name, "has other remarks than the manifest asks for")
    expected = _known(
        TITLE=words.title,
        PERFORMER=words.performer,
        SONGWRITER=words.songwriter,
        CATALOG=ean13(words.barcode) if words.barcode else "",
    )
    if sheet.texts != expected:
        yield disagreement("cue-release", name, "has other words for the release than the manifest")
    tracks = release.tracks_of(disc["number"])
    if [t.number for t in sheet.tracks] != [t["number"] for _, t in tracks]:
        message = f"has {len(sheet.tracks)} tracks, the disc {len(tracks)}"
        yield disagreement("cue-tracks", name, message)
        return
    for read, (index, track) in zip(sheet.tracks, tracks, strict=True):
        texts = track_texts(release.manifest, index)
        yield from _cue_track(name, read, track, texts)


def _cue_track(
    name: str, read: CueTrackRead, track: TrackReport, texts: TrackTexts
) -> Iterator[Finding]:
    which = f"track {read.number}"
    if read.kind != "AUDIO":
        yield disagreement("cue-tracks", name, f"{which} is `{read.kind}`, not `AUDIO`")
    expected = {int(number): frame for number, frame in track["indexes"].items()}
    if read.indexes != expected:
        times = ", ".join(frames_text(frame) for frame in sorted(read.indexes.values()))
        right = ", ".join(frames_text(frame) for frame in sorted(expected.values()))
        message = f"{which} has its indexes at {times}, not at {right}"
        yield disagreement("cue-times", name, message)
    words = _known(
        TITLE=texts.title,
        PERFORMER=texts.performer,
        SONGWRITER=texts.songwriter,
        ISRC=texts.isrc or "",
        FLAGS=" ".join(texts.flags),
    )
    for key in sorted(words.keys() | read.texts.keys()):
        text = read.texts.get(key)
        if text != words.get(key):
            message = f"{which}: {key} reads `{text}`, the manifest asks for `{words.get(key)}`"
            yield disagreement(f"cue-{key.lower()}", name, message)


def _known(**texts: str) -> dict[str, str]:
    return {key: text for key, text in texts.items() if text}


def _cd_text(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    name = release.disc_file(disc["number"], ".cdtext")
    read = read_cd_text((release.folder / name).read_bytes(), name)
    tracks = release.tracks_of(disc["number"])
    if read.tracks != len(tracks):
        message = f"speaks of {read.tracks} tracks, the disc has {len(tracks)}"
        yield disagreement("cd-text-tracks", name, message)
        return
    words = release_texts(release.manifest)
    texts = [track_texts(release.manifest, index) for index, _ in tracks]
    right, left_out = _cd_text_kinds(words, texts), cd_text(words, texts).left_out
    for kind in sorted(right.keys() | read.texts.keys()):
        asked = right.get(kind, [""] * (len(tracks) + 1))
        if kind in left_out and kind not in read.texts:
            continue
        for number, text in enumerate(asked):
            if (told := read.text(kind, number)) != text:
                which = f"track {number}" if number else "the release"
                message = f"{which}: its {kind} reads `{told}`, the manifest asks for `{text}`"
                yield disagreement("cd-text", name, message)


def _cd_text_kinds(release: ReleaseTexts, tracks: Sequence[TrackTexts]) -> dict[str, list[str]]:
    """Give what each kind of text must say, of the disc and of its tracks."""
    words: tuple[ReleaseTexts | TrackTexts, ...] = (release, *tracks)
    kinds = ("title", "performer", "songwriter", "composer", "arranger", "message")
    right = {kind: [getattr(one, kind) for one in words] for kind in kinds}
    right["disc id"] = [str(anyascii(release.catalogue_number))]
    right["genre"] = [str(anyascii(release.genre))]
    barcode = ean13(release.barcode) if release.barcode else ""
    right["barcode and ISRC"] = [barcode, *(track.isrc or "" for track in tracks)]
    return {kind: texts for kind, texts in right.items() if any(texts)}


def _archive(release: FinishedRelease, disc: DiscReport) -> Iterator[Finding]:
    """Hold the archive's sound against the image, and its cue sheet block against the report."""
    image = release.disc_file(disc["number"], ".wav")
    name = release.disc_file(disc["number"], ".flac")
    position = 0
    for ours, theirs in zip_longest(_words(release, image), _words(release, name)):
        if ours is None or theirs is None or not np.array_equal(ours, theirs):
            message = f"decodes to other samples than the image, from about sample {position} on"
            yield disagreement("archive-sound", name, message)
            break
        position += len(ours)
    file = FLAC(release.folder / name)
    sheet = file.cuesheet
    told = [
        (track.track_number, track.start_offset + point.index_offset)
        for track in (sheet.tracks if sheet else ())
        for point in (track.indexes if track.track_number != _LEAD_OUT else ())
    ]
    right = [
        (track["number"], frame * SAMPLES_PER_FRAME)
        for _, track in release.tracks_of(disc["number"])
        for frame in track["indexes"].values()
    ]
    if told != right:
        message = "its cue sheet block has other index points than the report"
        yield disagreement("archive-cue", name, message)
    order = next(order for order in release.discs if order.number == disc["number"])
    comments = archive_comments(release.manifest, order, len(release.discs))
    if list(file.tags or ()) != list(comments):
        message = "its Vorbis comments are not what the manifest asks for"
        yield disagreement("archive-texts", name, message)


def _words(release: FinishedRelease, name: str) -> Iterator[NDArray[np.int16]]:
    with reading(name), soundfile.SoundFile(for_libsndfile(release.folder / name)) as file:
        while len(block := file.read(BLOCK_FRAMES, dtype="int16", always_2d=True)):
            check_cancelled()
            yield block


DISC_LOOKS: dict[str, tuple[str, Callable[[FinishedRelease, DiscReport], Iterator[Finding]]]] = {
    "image lengths and formats": (".wav", _image_form),
    "images for sound in pauses and clipping": (".wav", _image_sound),
    "cue sheets": (".cue", _cue),
    "CD-Text files": (".cdtext", _cd_text),
    "archive files against their image": (".flac", _archive),
}
"""What is looked at, in words; the ending of the file that it is about; and what looks."""
