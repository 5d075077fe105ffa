"""The letter to the plant: what is sent, its lengths and checksums, and what to ask for.

Error limits: most plants aim for a block error rate below 50 per second; IEC 60908 allows 220,
averaged over 10 s, with no uncorrectable errors; a lead-out of at least 90 s; two reference CD-Rs,
written slowly. Read from the public pages of CD plants, undated; the standard's from memory. How
cdrdao and wodim are called: their manual pages. That cdrdao refuses index points above 01 was seen;
no CD-R was written.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import PurePosixPath

from assembler.disc.bin import FOLDER, KIND
from assembler.disc.md5 import MD5SUMS
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.manifest.codes import ean13, isrc_text
from assembler.sequence import DiscOrder
from assembler.sequence.frames import DISC_RATE_HZ, SAMPLES_PER_FRAME
from assembler.text import NOTHING, frames_text
from assembler.typeset.plain_text import COLUMNS, titled, wrapped

NAME = "to-plant.txt"
BLER_AVERAGE, BLER_MOST = 50, 220
"""Block errors per second: what to ask for on average, and the limit over any 10 s."""
LEAD_OUT_S = 90
_FILE_KINDS = {
    ".wav": "image: 16 bit, 44.1 kHz, stereo, pauses included",
    ".cue": "cue sheet of the image",
    ".cdtext": "CD-Text packs",
    ".flac": "archive of the image",
    ".bin": "the image's samples without a header, little-endian",
}


@dataclass(frozen=True)
class PlantFile:
    """A file that is sent.

    Attributes
    ----------
    name
        Its path in the disc's folder.
    md5, sha256
        Its checksums.
    """

    name: str
    md5: str
    sha256: str

    @property
    def kind(self) -> str:
        """What it is, in words."""
        path = PurePosixPath(self.name)
        if path.suffix == ".cue" and path.parts[0] == FOLDER:
            return f"cue sheet of the BIN file (FILE … {KIND})"
        return _FILE_KINDS[path.suffix]


@dataclass(frozen=True)
class PlantDisc:
    """A disc that is sent: its order, the texts of its tracks, and its files."""

    order: DiscOrder
    tracks: tuple[TrackTexts, ...]
    files: tuple[PlantFile, ...]


def to_plant(artist: str, title: str, texts: ReleaseTexts, discs: Sequence[PlantDisc]) -> str:
    """Return the letter as plain text of 100 columns with LF line ends.

    Parameters
    ----------
    artist, title
        Of the release, in Unicode.
    texts
        Catalogue number and barcode.
    discs
        All discs.
    """
    lines = [*titled(f"To the plant: {artist}, {title}", "="), ""]
    lines += [
        f"Catalogue number  {texts.catalogue_number or 'none'}",
        f"Barcode           {ean13(texts.barcode) if texts.barcode else 'none'}",
        f"Discs             {len(discs)}",
    ]
    for disc in discs:
        lines += _disc(disc, len(discs))
    for heading, paragraphs in _sections(discs):
        lines += ["", "", *titled(heading, "-")]
        for paragraph in paragraphs:
            as_it_is = paragraph.startswith("  ")
            lines += [paragraph] if as_it_is else ["", *wrapped(paragraph, COLUMNS)]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def _disc(disc: PlantDisc, of: int) -> Iterator[str]:
    order = disc.order
    samples = order.frames * SAMPLES_PER_FRAME
    yield from ("", "", *titled(f"Disc {order.number} of {of}: what is sent", "-"), "")
    length = f"{frames_text(order.frames)} (mm:ss:ff), {order.frames} frames, {samples} samples"
    yield f"Length   {length}"
    yield f"Tracks   {len(order.places)}"
    yield f"Form     {DISC_RATE_HZ} Hz, 16 bit, 2 channels, {SAMPLES_PER_FRAME} samples per frame"
    before = order.opening_pause_frames - order.pause_in_image_frames
    yield f"Pause    {frames_text(before)} before the image, to be added in front of it"
    yield from ("", "No  Index 01  Length    ISRC             Title")
    for place, texts in zip(order.places, disc.tracks, strict=True):
        code = isrc_text(texts.isrc) if texts.isrc else NOTHING
        times = f"{frames_text(place.start_frame):<10}{frames_text(place.frames):<10}"
        yield f"{place.number:>2}  {times}{code:<17}{texts.title}"
    for file in disc.files:
        yield from ("", f"{file.name}", f"    {file.kind}")
        yield f"    MD5      {file.md5}"
        yield f"    SHA-256  {file.sha256}"


def _sections(discs: Sequence[PlantDisc]) -> Iterator[tuple[str, Sequence[str]]]:
    """Return headings and paragraphs; one that begins with a blank is a line as it is."""
    yield (
        "Check that the files arrived whole",
        ("In the folder with these files:", f"  md5sum -c {MD5SUMS}"),
    )
    yield "How to use them", (_use(discs), *_FORM)
    yield "Error limits to ask for", _ERRORS
    yield "A reference CD-R", tuple(_reference(discs))
    yield (
        "The test disc",
        (
            "Rip it without conversion, and compare the rip with the image:",
            "  assembler verify RELEASE_DIR --rip RIP_FOLDER",
        ),
    )


def _use(discs: Sequence[PlantDisc]) -> str:
    both = ", or from the BIN file and its own; both have the same samples" if _bins(discs) else ""
    return (
        f"Master from the image and its cue sheet{both}. Do not change levels, gaps or index "
        "points. Take ISRCs, barcode and flags from the cue sheet, and CD-Text from the .cdtext "
        "file or the cue sheet. The PQ sheet has the same index points."
    )


_FORM = (
    "A set of descriptors (the licensed format that some plants ask for) is not included. If you "
    "need one, please convert these files, or say so: a mastering studio can.",
    f"Lead-out: at least {LEAD_OUT_S} s. If the disc is too long for that, please say so before "
    "glass mastering.",
)
_ERRORS = (
    "Please measure the first disc over its whole length, and send the report with the test disc.",
    f"  Block error rate (BLER), average of the disc   below {BLER_AVERAGE} per second",
    f"  Block error rate, highest average of 10 s      at most {BLER_MOST} per second",
    "  Uncorrectable errors (E32)                     none",
    f"Sources: {BLER_MOST} per second is the limit of IEC 60908 (from memory); the average and the "
    "lead-out are from public pages of CD plants. Your own specification applies if it differs.",
)


def _bins(discs: Sequence[PlantDisc]) -> list[tuple[PlantDisc, str]]:
    """Return the discs that have a BIN file, each with its name."""
    return [(d, file.name) for d in discs for file in d.files if file.name.endswith(".bin")]


def _reference(discs: Sequence[PlantDisc]) -> Iterator[str]:
    bins = _bins(discs)
    if not bins:
        yield (
            "A general-purpose writer needs the image as BIN with a cue sheet: write `forms: [wav, "
            "bin]` under `disc` in the manifest, and build again. The commands are then here."
        )
        return
    yield (
        "Write it disc-at-once, so that pauses and index points are as in the cue sheet; "
        "track-at-once adds pauses and breaks segues. Write slowly (8x, or the drive's lowest "
        "speed) on a new blank of good quality, and make two copies. With one of these commands, "
        f"in the folder {FOLDER}:"
    )
    for disc, name in bins:
        cue = PurePosixPath(name).with_suffix(".cue").name
        if not _has_further_points(disc):
            yield f'  cdrdao write --speed 8 "{cue}"'
        yield f'  wodim -v -dao -text speed=8 cuefile="{cue}"'
    if any(_has_further_points(disc) for disc, _ in bins):
        yield "cdrdao (1.2.4) is left out for a disc with index points above 01: it refuses them."
    yield (
        "Any other program will do that reads a cue sheet and writes disc-at-once (DAO or SAO). "
        "Rip the CD-R and compare it, as below."
    )


def _has_further_points(disc: PlantDisc) -> bool:
    return any(place.further_frames for place in disc.order.places)
