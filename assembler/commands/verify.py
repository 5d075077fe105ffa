"""``assembler verify``: read a finished release back and check it."""

from __future__ import annotations

import argparse
from pathlib import Path

from assembler.commands.arguments import add_jobs
from assembler.commands.command import DONE, ERRORS_FOUND, Command
from assembler.commands.console.first_run import say_if_compiling
from assembler.commands.console.terminal import say_json
from assembler.errors import AssemblerError

EPILOG = """\
What it detects, even if someone changed a file and renewed all checksums:
  files     every file of every deliverable is there, none was added, none is a
            link, and each deliverable was made from the manifest in the folder
  texts     cue sheet, CD-Text and tags match the manifest, each read by an
            independent reader; PQ sheet, tables, credits sheet, label copy,
            barcode, packages and the proof's page and pictures are what this
            version writes from the manifest and the report
  audio     image, archive, lossless files, lossy files and clips of joins hold
            the same recording, with the same channels, polarity and level; where
            rate and level are the same, sample for sample; no clipping, no sound
            in pauses
  levels    each lossless file has the loudness in the report
  sources   the tracks have the channels, polarity and gain of their sources,
            where these are found unchanged (see --sources); tape sides with
            restoration are left out

What it can't detect:
  - a changed manifest: everything else is compared with it
  - audio changed in the same way in every file, where no source is found
  - changes to the pictures of the covers, to clips of tape sides, and to tags
    that assembler does not write
  - changed texts in a release that another version made (a warning says so)
  - whether the artist likes the music: listen
With --rip it compares a rip of the plant's test disc with the image, and nothing
more: the drive's offset, then every sample, the order of the tracks, and the index
points if the rip has a cue sheet. Not detected: CD-Text, flags, and faults that the
drive has corrected or hidden (ask the plant for its error measurement).

For full proof, build the release again from its sources into another folder
and compare the two: assembler compare A B.
"""


def _add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = EPILOG
    parser.add_argument("release_dir", type=Path, metavar="RELEASE_DIR")
    parser.add_argument(
        "--sources",
        type=Path,
        metavar="DIR",
        help="folder that the paths in the manifest are relative to; default: two levels above "
        "RELEASE_DIR, or one",
    )
    parser.add_argument(
        "--second-meter",
        action="store_true",
        help="measure each lossless file again, with pyloudnorm and a 16x oversampled peak (soxr)",
    )
    parser.add_argument(
        "--rip",
        type=Path,
        nargs="+",
        metavar="FILE",
        help="compare a rip of the plant's test disc with the image: WAV, FLAC or BIN, one file "
        "or one per track, or their folder; with the rip's cue sheet, its index points too",
    )
    add_jobs(parser)


def _run(options: argparse.Namespace) -> int:
    if options.rip:
        return _run_rip(options)
    from assembler.verification.verify import verify

    say_if_compiling()
    report = verify(
        options.release_dir,
        jobs=options.jobs,
        sources=options.sources,
        second_meter=options.second_meter,
    )
    if options.json:
        say_json(report.as_json())
    else:
        from assembler.commands.console.tables import print_verification

        print_verification(report)
    return DONE if report.ok else ERRORS_FOUND


def _run_rip(options: argparse.Namespace) -> int:
    from assembler.rip.compare import compare_rip

    if options.sources or options.second_meter:
        raise AssemblerError("--rip compares the rip only: leave out --sources and --second-meter")
    report = compare_rip(options.release_dir, options.rip, jobs=options.jobs)
    if options.json:
        say_json(report.as_json())
    else:
        from assembler.commands.console.tables import print_rip

        print_rip(report)
    return DONE if report.ok else ERRORS_FOUND


COMMAND = Command(
    "verify",
    "read a finished release back and check it against its manifest",
    _add_arguments,
    _run,
    {"release_dir": None, "proofs": [], "second_meter": []},
)
