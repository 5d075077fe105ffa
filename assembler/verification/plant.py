"""Check the files for the plant: BIN, its cue sheet, MD5 checksums and the letter."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from functools import partial
from itertools import zip_longest
from pathlib import Path

from assembler.audio.chunks import wave_data
from assembler.cancel import check_cancelled
from assembler.disc.bin import KIND
from assembler.disc.md5 import MD5SUMS, file_md5
from assembler.disc.to_plant import NAME
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.finished.report_form import DiscReport
from assembler.manifest.disc_alphabet import ENCODING
from assembler.release.plant import bin_names, plant_letter
from assembler.verification.pairs import FileCheck
from assembler.verification.texts import other_text

_SUMS = f"disc/{MD5SUMS}"
_BLOCK_BYTES = 1 << 20


def plant_checks(release: FinishedRelease) -> Iterator[tuple[str, list[FileCheck]]]:
    """Yield the checks of the files for the plant, by name."""
    sheets: list[FileCheck] = []
    images: list[FileCheck] = []
    for disc in release.report.discs:
        for name in bin_names(_stem(release, disc.number), release.manifest):
            checks, check = (sheets, _bin_cue) if name.endswith(".cue") else (images, _bin)
            checks.append((f"disc/{name}", partial(check, release, disc, f"disc/{name}")))
    yield "BIN files against their image", images
    yield "cue sheets of BIN files", sheets
    yield "lists of MD5 checksums", [(_SUMS, partial(_md5, release))]
    yield "letters to the plant", [(f"disc/{NAME}", partial(_letter, release))]


def _stem(release: FinishedRelease, disc_number: int) -> str:
    return Path(release.disc_file(disc_number, "")).name


def _bin(release: FinishedRelease, disc: DiscReport, name: str) -> Iterator[Finding]:
    image = release.folder / release.disc_file(disc.number, ".wav")
    with image.open("rb") as ours, (release.folder / name).open("rb") as theirs:
        data = wave_data(ours)
        ours.seek(data.offset if data else 0)
        position = 0
        while True:
            check_cancelled()
            block, other = ours.read(_BLOCK_BYTES), theirs.read(_BLOCK_BYTES)
            if block != other:
                message = f"has other samples than the image from about byte {position} on"
                yield mismatch("bin-sound", name, message)
            if block != other or not block:
                return
            position += len(block)


def _bin_cue(release: FinishedRelease, disc: DiscReport, name: str) -> Iterator[Finding]:
    """Compare the cue sheet of a BIN file with that of the image: only the file differs."""
    cue, stem = release.disc_file(disc.number, ".cue"), _stem(release, disc.number)
    sheets = [(release.folder / one).read_bytes().decode(ENCODING) for one in (cue, name)]
    right = sheets[0].replace(f'FILE "{stem}.wav" WAVE', f'FILE "{stem}.bin" {KIND}')
    pairs = enumerate(zip_longest(right.split("\n"), sheets[1].split("\n")), 1)
    for number, (expected, found) in pairs:
        if expected != found:
            message = f"line {number} is not that of the image's cue sheet: build it again"
            yield mismatch("bin-cue", name, message)
            return


def _listed(release: FinishedRelease) -> dict[str, str] | None:
    """Return the MD5 of each file by path in the discs' folder; None if the list was changed."""
    content = (release.folder / _SUMS).read_bytes()
    if hashlib.sha256(content).hexdigest() != release.report.files.get(_SUMS):
        return None
    pairs = (line.partition("  ") for line in content.decode("utf-8").splitlines())
    return {name: md5 for md5, _, name in pairs}


def _md5(release: FinishedRelease) -> Iterator[Finding]:
    """Compare the files with the list; if the list itself was changed, only that is reported."""
    listed = _listed(release)
    if listed is None:
        yield mismatch("md5-sums", _SUMS, "is not the list that was built: build the release again")
        return
    folder = release.folder / "disc"
    asked = {name for name in release.report.files if name.startswith("disc/")} - {_SUMS}
    if {f"disc/{name}" for name in listed} != asked:
        yield mismatch("md5-sums", _SUMS, "does not list the files of its folder: build it again")
    for name, md5 in listed.items():
        if (folder / name).is_file() and file_md5(folder / name) != md5:
            message = f"its MD5 is not that in {MD5SUMS}: build the release again"
            yield mismatch("md5-sums", f"disc/{name}", message)


def _letter(release: FinishedRelease) -> Iterator[Finding]:
    listed = _listed(release)
    if listed is None:
        return

    def checksums(name: str) -> tuple[str, str] | None:
        sha256 = release.report.files.get(f"disc/{name}")
        return (listed[name], sha256) if sha256 and name in listed else None

    stems = [_stem(release, order.number) for order in release.discs]
    text = plant_letter(release.manifest, release.discs, stems, checksums)
    yield from other_text(release, f"disc/{NAME}", text.encode())
