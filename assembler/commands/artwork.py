"""``assembler artwork``: check the designer's PDFs against the manifest and the package."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.command import DONE, ERRORS_FOUND, Command
from assembler.commands.console.terminal import say_json

EPILOG = """\
What it checks:
  text      every title, name, role, duration, number, line and code of the manifest on
            the panel that carries it, letter by letter; the running order; text that
            resembles a name or a title but is not it
  print     sizes and boxes, bleed, safe area, folds, fonts, resolution of images, RGB
            and spot colours, rich black text, lines, small type, white overprint
  barcode   scanned at 300 dpi: digits, size, quiet zones, contrast in red light
Places are in mm from the upper left corner of the trimmed page.

It keeps what it checked in MANIFEST's .artwork.json: for each part that it read, the
digests of files and text, and the outcome. If the text changes later, check and build
say so.

What it can't check: text in outlines or pictures (it says where), colours of images,
whether the plant's own template has other sizes. The plant's template wins.
"""


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EPILOG
    parser.add_argument("manifest", type=Path, metavar="MANIFEST")
    parser.add_argument("files", nargs="+", type=Path, metavar="FILE.pdf")
    parser.add_argument(
        "--part",
        metavar="NAME",
        help="the printed part that the files are, as in tray_card; default: by name and size",
    )
    parser.add_argument(
        "--marked",
        type=Path,
        metavar="DIR",
        help="write each page as PNG with the findings' places marked and numbered",
    )


def _run(options: argparse.Namespace) -> int:
    from assembler.artwork.check import check_artwork
    from assembler.artwork.record import kept
    from assembler.commands.sides import writing_to
    from assembler.manifest import load

    source = load(options.manifest)
    if options.marked:
        with writing_to(options.marked):
            report = check_artwork(source, options.files, part=options.part, marked=options.marked)
    else:
        report = check_artwork(source, options.files, part=options.part)
    report = kept(report)
    if options.json:
        say_json(report.as_json())
    else:
        from assembler.commands.console.artwork import print_artwork

        print_artwork(report)
    return DONE if report.ok else ERRORS_FOUND


COMMAND = Command(
    "artwork",
    "check the designer's PDFs: texts, print, barcode",
    _add_arguments,
    _run,
    {"files": [], "barcodes": [], "durations": None, "marked": [], "record": None},
)
