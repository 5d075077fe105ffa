"""Write texts and paper again from the manifest and the report, and compare them.

PQ sheet, tables, credits sheet, label copy and barcode have the same bytes each time. A release
made by another version of this program may differ: that is a warning.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from functools import partial
from itertools import zip_longest
from pathlib import Path
from tempfile import TemporaryDirectory

from assembler.download.packages import CHECKSUMS as PACKED_SUMS
from assembler.download.packages import COVER, TRACK_LIST, package_name, track_list
from assembler.download.tables import release_csv, release_json
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, mismatch
from assembler.manifest.sets import format_of, set_of
from assembler.release.report import made_with
from assembler.release.tasks.discs import pq_sheet
from assembler.sequence import DiscOrder
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.sheets.pq_pdf import write_pq_pdf
from assembler.sheets.pq_sheet import pq_text
from assembler.sleeve.packages import logo_copies
from assembler.sleeve.templates import write_templates
from assembler.text import shorten
from assembler.typeset.barcode import write_barcode
from assembler.verification.files import has_cd_text

_COPY_BYTES = 1 << 20


def other_text(release: FinishedRelease, name: str, right: bytes) -> Iterator[Finding]:
    """Compare a file with what is written now; for a text, name the first line that differs."""
    read = (release.folder / name).read_bytes()
    if read == right:
        return
    message = "does not match the manifest"
    if Path(name).suffix not in (".pdf", ".png"):
        texts = (text.decode("utf-8", "replace").splitlines() for text in (read, right))
        pairs = enumerate(zip_longest(*texts), 1)
        number, (found, expected) = next(((n, p) for n, p in pairs if p[0] != p[1]), (1, ("", "")))
        message = f"line {number} is {_quoted(found)}, it should be {_quoted(expected)}"
    yield differs(release, "other-text", name, message)


def differs(release: FinishedRelease, code: str, name: str, message: str) -> Finding:
    """Return the finding of a file that differs; a warning if another version made the release."""
    report = release.report
    if (report.assembler, report.made_with) == made_with():
        return mismatch(code, name, message)
    message += "; another version of this program made it: build it again to verify it"
    return Finding("warning", code, name, name, 0, message)


def _quoted(line: str | None) -> str:
    return "nothing" if line is None else f"`{shorten(line)}`"


def pq_texts(release: FinishedRelease, order: DiscOrder) -> Iterator[Finding]:
    """Compare a disc's PQ sheets."""
    kinds = [".wav", ".cue", *([".cdtext"] if has_cd_text(release, order) else []), ".flac"]
    names = [release.disc_file(order.number, kind) for kind in kinds]
    digests = {Path(name): release.report.files[name] for name in names}
    sheet = pq_sheet(release.manifest, order, release.of_discs, digests)
    yield from other_text(release, release.pq_sheet(order.number, "txt"), pq_text(sheet).encode())
    with TemporaryDirectory() as folder:
        pdf = Path(folder) / "pq-sheet.pdf"
        write_pq_pdf(sheet, pdf)
        yield from other_text(release, release.pq_sheet(order.number, "pdf"), pdf.read_bytes())


def tables(release: FinishedRelease, folder: str) -> Iterator[Finding]:
    """Compare the tables of the download set in a folder."""
    own = [one for one in release.manifest.made_sets if one.folder == folder]
    files: dict[str, list[str]] = {
        format_of(name): [Path(release.track_file(name, track)).name for track in release.tracks]
        for one in own
        for name in one.folders
    }
    for name, table in (("csv", release_csv), ("json", release_json)):
        right = table(release.manifest, release.metadata, files).encode()
        yield from other_text(release, f"{folder}/release.{name}", right)


def paper(release: FinishedRelease) -> Iterator[Finding]:
    """Compare credits sheet, label copy, barcode and templates."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        write_credits_sheet(folder, release.manifest, release.printed)
        write_label_copy(folder, release.manifest, release.printed)
        if release.manifest.release.barcode:
            write_barcode(release.manifest.release.barcode, folder)
        sleeve = release.manifest.sleeve
        logos = [release.folder / "paper" / one for one in (logo_copies(sleeve) if sleeve else ())]
        write_templates(folder, release.manifest, release.printed, logos)
        for path in sorted(path for path in folder.rglob("*") if path.is_file()):
            inside = path.relative_to(folder).as_posix()
            yield from other_text(release, f"paper/{inside}", path.read_bytes())


def packages(release: FinishedRelease) -> Iterator[tuple[str, str]]:
    """Return the path of each possible package, and its format."""
    for name in release.report.formats:
        yield package_path(release, name), name


def package_path(release: FinishedRelease, name: str) -> str:
    """Return the path of a format's package."""
    folder = release.manifest.download_set(set_of(name)).folder
    return f"{folder}/{package_name(release.manifest, format_of(name))}"


def package(release: FinishedRelease, name: str) -> Iterator[Finding]:
    """Compare the entries of a format's package with the files that it must have."""
    path = package_path(release, name)
    digests = release.report.files
    files = [release.track_file(name, track) for track in release.tracks]
    packed = {Path(file).name: digests.get(file, "") for file in files}
    packed[TRACK_LIST] = _digest(track_list(release.manifest, release.metadata).encode())
    if release.manifest.release.front_cover:
        packed[COVER] = digests.get(release.manifest.cover_copy or "", "")
    sums = "".join(f"{packed[one]}  {one}\n" for one in sorted(packed))
    packed[PACKED_SUMS] = _digest(sums.encode())
    right = {f"{Path(path).stem}/{one}": digest for one, digest in packed.items()}
    with zipfile.ZipFile(release.folder / path) as archive:
        entries = archive.infolist()
        for entry in entries:
            if entry.filename not in right:
                message = f"has `{shorten(entry.filename)}`, which is not in this release"
                yield mismatch("other-package", path, message)
            elif entry.external_attr >> 16 != 0o100644:
                message = f"`{shorten(entry.filename)}` in it is not a regular file"
                yield mismatch("other-package", path, message)
            elif _digest_of_entry(archive, entry) != right[entry.filename]:
                message = f"`{shorten(entry.filename)}` in it differs from the file of this release"
                yield mismatch("other-package", path, message)
        for missing in sorted(right.keys() - {entry.filename for entry in entries}):
            yield mismatch("other-package", path, f"does not have `{shorten(missing)}`")
        if len(entries) > len({entry.filename for entry in entries}):
            yield mismatch("other-package", path, "has two files of the same name")


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _digest_of_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> str:
    digest = hashlib.sha256()
    with archive.open(entry) as file:
        for data in iter(partial(file.read, _COPY_BYTES), b""):
            digest.update(data)
    return digest.hexdigest()
