"""Table of the planted mistakes of artwork, each alone: python tests/bench/planted_mistakes.py

Not a test: plants each mistake of `tests/artwork/mistakes.py` in artwork of its own, and prints the
finding with its code and its place, and how many further findings (without notes) it brings.
"""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from artwork.artwork_pdfs import artwork, write_manifest, write_reportlab
from artwork.mistakes import ROUNDS, Mistake, is_at

from assembler.artwork import check as artwork_check
from assembler.artwork.parts import ArtworkFinding
from assembler.artwork.read_pdf import read
from assembler.manifest import ManifestFile


def planted() -> Iterator[Mistake]:
    """Yield the mistakes that change something."""
    yield from (one for mistakes in ROUNDS.values() for one in mistakes if one.is_planted)


def found(
    source: ManifestFile, mistake: Mistake, folder: Path
) -> tuple[ArtworkFinding | None, int]:
    """Plant a mistake; return its finding, and how many others there are."""
    art = artwork()
    folder.mkdir()
    mistake.change(art, folder)
    report = artwork_check.check_artwork(source, write_reportlab(art, folder))
    said = [one for one in report.findings if one.severity != "note" or one.code == mistake.code]
    own = [one for one in said if one.code == mistake.code and is_at(one, mistake.at, art)]
    shown = next((one for one in own if mistake.says in one.message), None)
    return shown, len(said) - bool(shown)


def row(number: int, mistake: Mistake, finding: ArtworkFinding | None, others: int) -> str:
    """Return a line of the table."""
    if finding is None:
        return f"{number:2}  NOT FOUND  {mistake.code}: {mistake.says}"
    place = f"{Path(finding.file).stem} {finding.where}".strip()
    more = f"  (+{others})" if others else ""
    return (
        f"{number:2}  {finding.severity:7}  {finding.code:22}  {place}\n    {finding.message}{more}"
    )


def main() -> None:
    """Print the table and its totals."""
    artwork_check.read_pdf = lambda path, folder, _: read(path, folder)
    with tempfile.TemporaryDirectory() as name:
        source = write_manifest(Path(name))
        right = artwork_check.check_artwork(source, write_reportlab(artwork(), Path(name) / "0"))
        wrong = [one for one in right.findings if one.severity != "note"]
        print(f"Correct artwork: {len(wrong)} errors and warnings\n")
        mistakes, missed = list(planted()), 0
        for number, mistake in enumerate(mistakes, 1):
            finding, others = found(source, mistake, Path(name) / str(number))
            missed += finding is None
            print(row(number, mistake, finding, others), flush=True)
    kinds = {mistake.code for mistake in mistakes}
    print(f"\n{len(mistakes)} mistakes of {len(kinds)} kinds planted, each alone; {missed} missed")


if __name__ == "__main__":
    main()
