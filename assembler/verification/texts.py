"""Write again all that is cheap to write, from the manifest and the report, and compare it.

PQ sheet, tables, credits sheet, label copy and barcode are the same bytes each time. A release that
another version of this program made may differ from them by right: that is a warning.
"""

from __future__ import annotations

import hashlib
import zipfile
from collections.abc import Iterator
from itertools import zip_longest
from pathlib import Path
from tempfile import TemporaryDirectory

from assembler.download.packages import CHECKSUMS as PACKED_SUMS
from assembler.download.packages import COVER, TRACK_LIST, package_name, track_list
from assembler.download.tables import release_csv, release_json
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, disagreement
from assembler.manifest.model import Format
from assembler.release.discs import pq_sheet
from assembler.release.report import made_with
from assembler.sequence import DiscOrder
from assembler.sheets.credits_sheet import write_credits_sheet
from assembler.sheets.label_copy import write_label_copy
from assembler.sheets.pq_pdf import write_pq_pdf
from assembler.sheets.pq_sheet import pq_text
from assembler.text import shorten
from assembler.typeset.barcode import write_barcode
from assembler.verification.files import has_cd_text

_COPY_BYTES = 1 << 20


def other_text(release: FinishedRelease, name: str, right: bytes) -> Iterator[Finding]:
    """Compare a file with what is written now, and say where a text first differs."""
    read = (release.folder / name).read_bytes()
    if read == right:
        return
    message = "is not what the manifest asks for"
    if Path(name).suffix not in (".pdf", ".png"):
        texts = (text.decode("utf-8", "replace").splitlines() for text in (read, right))
        pairs = enumerate(zip_longest(*texts), 1)
        number, (shown, asked) = next(((n, p) for n, p in pairs if p[0] != p[1]), (1, ("", "")))
        message = f"line {number} reads {_quoted(shown)}, the manifest asks for {_quoted(asked)}"
    yield differs(release, "other-text", name, message)


def differs(release: FinishedRelease, code: str, name: str, message: str) -> Finding:
    """Make the finding of a file that is not what is written now; a warning across versions."""
    told = release.report
    if (told["assembler"], told["made_with"]) == made_with():
        return disagreement(code, name, message)
    message += "; another version of this program made it, so it is not proved: build it again"
    return Finding("warning", code, name, name, 0, message)


def _quoted(line: str | None) -> str:
    return "nothing" if line is None else f"`{shorten(line)}`"


def pq_texts(release: FinishedRelease, order: DiscOrder) -> Iterator[Finding]:
    """Compare a disc's PQ sheets."""
    kinds = [".wav", ".cue", *([".cdtext"] if has_cd_text(release, order) else []), ".flac"]
    names = [release.disc_file(order.number, kind) for kind in kinds]
    digests = {Path(name): release.report["files"][name] for name in names}
    sheet = pq_sheet(release.manifest, order, release.of_discs, digests)
    number = f"-{order.number}" if release.of_discs > 1 else ""
    yield from other_text(release, f"disc/pq-sheet{number}.txt", pq_text(sheet).encode())
    with TemporaryDirectory() as folder:
        pdf = Path(folder) / "pq-sheet.pdf"
        write_pq_pdf(sheet, pdf)
        yield from other_text(release, f"disc/pq-sheet{number}.pdf", pdf.read_bytes())


def tables(release: FinishedRelease) -> Iterator[Finding]:
    """Compare the tables for shops."""
    files: dict[str, list[str]] = {
        name: [Path(release.track_file(name, track)).name for track in release.tracks]
        for name in dict.fromkeys(release.manifest.download.formats)
    }
    for name, table in (("csv", release_csv), ("json", release_json)):
        right = table(release.manifest, release.words, files).encode()
        yield from other_text(release, f"download/release.{name}", right)


def paper(release: FinishedRelease) -> Iterator[Finding]:
    """Compare credits sheet, label copy and barcode."""
    with TemporaryDirectory() as name:
        folder = Path(name)
        write_credits_sheet(folder, release.manifest, release.words)
        write_label_copy(folder, release.manifest, release.words)
        if release.manifest.release.barcode:
            write_barcode(release.manifest.release.barcode, folder)
        for path in sorted(folder.iterdir()):
            yield from other_text(release, f"paper/{path.name}", path.read_bytes())


def packages(release: FinishedRelease) -> Iterator[tuple[str, Format]]:
    """Give the path of each package that may be there, and its format."""
    for name in dict.fromkeys(release.manifest.download.formats):
        yield f"download/{package_name(release.manifest, name)}", name


def package(release: FinishedRelease, name: Format) -> Iterator[Finding]:
    """Compare a format's package with the files that it packs: every entry, and no other."""
    path = f"download/{package_name(release.manifest, name)}"
    digests = release.report["files"]
    files = [release.track_file(name, track) for track in release.tracks]
    packed = {Path(file).name: digests.get(file, "") for file in files}
    packed[TRACK_LIST] = _digest(track_list(release.manifest, release.words).encode())
    if release.manifest.release.front_cover:
        packed[COVER] = digests.get(f"download/{COVER}", "")
    sums = "".join(f"{packed[one]}  {one}\n" for one in sorted(packed))
    packed[PACKED_SUMS] = _digest(sums.encode())
    right = {f"{Path(path).stem}/{one}": digest for one, digest in packed.items()}
    with zipfile.ZipFile(release.folder / path) as archive:
        entries = archive.infolist()
        for entry in entries:
            if entry.filename not in right:
                message = f"holds `{shorten(entry.filename)}`, which is no file of this release"
                yield disagreement("other-package", path, message)
            elif entry.external_attr >> 16 != 0o100644:
                message = f"`{shorten(entry.filename)}` in it is no plain file"
                yield disagreement("other-package", path, message)
            elif _digest_of_entry(archive, entry) != right[entry.filename]:
                message = f"`{shorten(entry.filename)}` in it is not the file of this release"
                yield disagreement("other-package", path, message)
        for missing in sorted(right.keys() - {entry.filename for entry in entries}):
            yield disagreement("other-package", path, f"lacks `{shorten(missing)}`")
        if len(entries) > len({entry.filename for entry in entries}):
            yield disagreement("other-package", path, "holds two files of one name")


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _digest_of_entry(archive: zipfile.ZipFile, entry: zipfile.ZipInfo) -> str:
    digest = hashlib.sha256()
    with archive.open(entry) as file:
        while data := file.read(_COPY_BYTES):
            digest.update(data)
    return digest.hexdigest()
