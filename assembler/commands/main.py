"""The commands: parse what was typed, call the room that does it, print."""

from __future__ import annotations

import argparse
import os
import shlex
from collections.abc import Callable, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, NoReturn

import assembler
from assembler.cancel import STOPPED, Cancelled
from assembler.commands.console.terminal import printable, say, say_json
from assembler.errors import AssemblerError, FindingsError, explained
from assembler.findings import Finding

_NOTHING: dict[str, dict[str, Any]] = {
    "draft": {"manifest": None, "pairs": [], "remarks": []},
    "check": {"disc": None, "discs": [], "tracks": []},
    "measure": {"files": []},
    "survey": {"sides": []},
    "split": {"sides": [], "tracks": ""},
    "build": {"release_dir": None, "made": [], "reused": [], "tracks": []},
    "verify": {"release_dir": None, "proofs": [], "second_meter": []},
    "compare": {"identical": None, "differences": [], "verdict": None, "proofs": []},
}
"""What the JSON of a command that was stopped holds in place of its results."""
TRACEBACK = "ASSEMBLER_TRACEBACK"
"""Set in the environment, a mistake of ours is shown with all its calls."""

DONE, ERRORS_FOUND, WRONG_USAGE = 0, 1, 2
VERIFY_PROVES = """\
What it proves, even if someone changed a file and made all checksums again:
  files     every file of every deliverable is there, none was added, none is a
            link, and each deliverable was made from the manifest in the folder
  texts     cue sheet, CD-Text and tags say what the manifest says, each read by
            a reader of its own; PQ sheet, tables, credits sheet, label copy,
            barcode, packages and the proof's page and pictures are what this
            version writes from the manifest and the report
  sound     image, archive, lossless files, lossy files and clips of joins are
            one recording, with the same channels, polarity and level; of one
            rate and level to the sample; no clipping, no sound in pauses
  levels    each lossless file has the loudness that the report says
  sources   the tracks have the channels, polarity and gain of their sources,
            where these are found unchanged (see --sources); not those of a
            tape side with restoration

What it can't prove:
  - the manifest itself: if it was changed too, it is what all is compared with
  - sound that was changed alike in every file, where no source is found
  - the pictures of the covers, clips of tape sides, and tags of no known name
  - texts of a release that another version made: a warning says so
  - that music is as the artist wants it: listen
To prove all of it, build the release again from its sources into another
folder, and compare the two: assembler compare A B.
"""


def main(arguments: Sequence[str] | None = None, began: Callable[[], None] | None = None) -> int:
    """Run one command.

    Parameters
    ----------
    arguments
        As typed; those of the process if not given.
    began
        Called when a Ctrl-C would be answered in words.

    Returns
    -------
    int
        Its exit code.
    """
    options = argparse.Namespace(json=False)
    try:
        options = _parser().parse_args(arguments)
        if began:
            began()
        return int(options.run(options))
    except FindingsError as error:
        return _stopped(options, error.findings, None)
    except AssemblerError as error:
        return _stopped(options, (), str(error))
    except KeyboardInterrupt:
        return _stopped(options, (), STOPPED)
    except Cancelled:
        from assembler.commands.build import end_at_once

        _stopped(options, (), STOPPED)
        end_at_once()
    except Exception as error:
        if TRACEBACK in os.environ:
            raise
        return _stopped(options, (), str(explained(error)))


class _Parser(argparse.ArgumentParser):
    """Says what is wrong with what was typed, control characters left out."""

    def error(self, message: str) -> NoReturn:
        """Print the usage and what is wrong, and end."""
        super().error(printable(message))


def _parser() -> argparse.ArgumentParser:
    parser = _Parser(
        prog="assembler",
        description="One YAML manifest in, a finished release out.",
        epilog="Exit codes: 0 done, 1 errors found, 2 wrong usage.",
    )
    parser.add_argument("--version", action="version", version=assembler.__version__)
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    def command(name: str, run: Any, help_: str) -> argparse.ArgumentParser:
        sub = commands.add_parser(name, help=help_, description=help_)
        sub.set_defaults(run=run, command=name)
        sub.add_argument("--json", action="store_true", help="print one JSON document and no more")
        return sub

    draft = command("draft", _draft, "write a first manifest from a folder of audio")
    draft.add_argument("folder", type=Path, metavar="FOLDER")
    draft.add_argument("--titles", type=Path, metavar="FILE", help="a song list, one title a line")
    draft.add_argument("--out", type=Path, metavar="M.yaml", help="default: FOLDER/manifest.yaml")

    check = command("check", _check, "check manifest, files, running order and disc time")
    check.add_argument("manifest", type=Path, metavar="MANIFEST")
    check.add_argument(
        "--without", type=_numbers, metavar="N,N", default=(), help="what if these were left out?"
    )
    check.add_argument(
        "--gap", type=_time, metavar="TIME", help="what if all gaps between tracks were this?"
    )

    measure = command("measure", _measure, "measure loudness and peaks")
    measure.add_argument("paths", type=Path, nargs="+", metavar="MANIFEST-or-FILES")
    _jobs(measure)

    survey = command("survey", _survey, "tell what a tape side is and what is wrong with it")
    _sides(survey)
    survey.add_argument("--pictures", type=Path, metavar="DIR", help="write a picture a side")
    _jobs(survey)

    split = command("split", _split, "propose where the songs of a side begin and end")
    _sides(split)
    split.add_argument("--titles", type=Path, metavar="FILE", help="a song list, as in a mail")
    split.add_argument("--count", type=int, metavar="N", help="how many songs there are")
    split.add_argument("--clips", type=Path, metavar="DIR", help="write a clip of each cut")
    split.add_argument("--out", type=Path, metavar="FILE", help="write the tracks there")

    build = command("build", _build, "make one release or several")
    build.add_argument(
        "manifests", type=Path, nargs="+", metavar="MANIFEST", help="or a folder of manifests"
    )
    build.add_argument("--out", type=Path, metavar="DIR", help="default: releases, beside MANIFEST")
    build.add_argument(
        "--explain", action="store_true", help="tell of each file whether it was made or reused"
    )
    build.add_argument("--zip", action="store_true", help="one zip file for each download format")
    build.add_argument("--only", metavar="ROOMS", help="of disc,download,paper,proof, with commas")
    _jobs(build)

    _verify_options(command("verify", _verify, "read a finished release back and prove it"))

    compare = command("compare", _compare, "tell what is between two finished releases")
    compare.add_argument("before", type=Path, metavar="A", help="a release's folder")
    compare.add_argument("after", type=Path, metavar="B", help="another's")
    _jobs(compare)

    approve = command("approve", _approve, "keep the artist's approval beside the manifest")
    approve.add_argument("approval", type=Path, metavar="FILE", help="as the proof's page saved it")
    approve.add_argument(
        "manifest", type=Path, nargs="?", metavar="MANIFEST", help="default: the one beside FILE"
    )

    store = command("store", _store, "tell the size of the store of finished work, or clear it")
    store.add_argument("--clear", action="store_true", help="remove all; releases stay as they are")

    command("schema", _schema, "print the JSON Schema of the manifest, for editors")
    return parser


def _verify_options(parser: argparse.ArgumentParser) -> None:
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.epilog = VERIFY_PROVES
    parser.add_argument("release_dir", type=Path, metavar="RELEASE_DIR")
    parser.add_argument(
        "--sources",
        type=Path,
        metavar="DIR",
        help="folder that the manifest's paths count from; default: two folders above RELEASE_DIR, "
        "or one",
    )
    parser.add_argument(
        "--second-meter",
        action="store_true",
        help="measure each lossless file again, with pyloudnorm and a 16-times soxr peak",
    )
    _jobs(parser)


def _numbers(text: str) -> tuple[int, ...]:
    parts = text.split(",")
    if not all(part.strip().isdecimal() for part in parts):
        raise argparse.ArgumentTypeError("track numbers with commas between, as in 7,12")
    return tuple(int(part) for part in parts)


def _time(text: str) -> Fraction:
    from assembler.manifest.times import parse_seconds

    try:
        return parse_seconds(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _sides(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "sides",
        nargs="+",
        metavar="SIDE",
        help="audio files, left and right of a name being one side; or a manifest, alone or with "
        "names of its sides",
    )


def _jobs(parser: argparse.ArgumentParser) -> None:
    def count(text: str) -> int:
        if not text.isdecimal() or not 1 <= int(text) <= 256:
            raise argparse.ArgumentTypeError("a whole number from 1 to 256")
        return int(text)

    parser.add_argument("--jobs", type=count, metavar="N", help="default: one for each core")


def _stopped(options: argparse.Namespace, findings: Sequence[Finding], message: str | None) -> int:
    if options.json:
        shown = [finding.as_json() for finding in findings]
        if message is not None:
            shown = [Finding("error", "stopped", "", "", 0, message).as_json()]
        say_json({"ok": False, "findings": shown, **_NOTHING.get(options.command, {})})
    elif message is not None:
        say(message, stderr=True)
    else:
        from assembler.commands.console.tables import print_findings

        print_findings(findings)
    return ERRORS_FOUND


def _say_if_loops_compile() -> None:
    from assembler.dsp.kernel_cache import compiles_first

    if compiles_first():
        message = "first run: compiling the sound loops for this machine takes about 20 s more"
        say(message, stderr=True)


def _draft(options: argparse.Namespace) -> int:
    from assembler.draft.first_manifest import draft_manifest, write_new

    out = options.out or options.folder / "manifest.yaml"
    draft = draft_manifest(options.folder, out, options.titles)
    write_new(out, draft.text)
    if options.json:
        say_json({"ok": True, "manifest": str(out), **draft.as_json()})
        return DONE
    if draft.pairs:
        from assembler.commands.console.draft import print_draft

        print_draft(draft)
    then = shlex.join(["assembler", "check", str(out)])
    say(f"{out}: a first manifest; fill in its empty slots, then: {then}")
    return DONE


def _check(options: argparse.Namespace) -> int:
    from assembler.manifest import load_to_check
    from assembler.preflight.check import check
    from assembler.preflight.trial import try_order

    report = check(load_to_check(options.manifest))
    asked = options.without or options.gap is not None
    trial = try_order(report, options.without, options.gap) if asked and report.sections else None
    if options.json:
        tried = {"what_if": trial.as_json()} if trial else {}
        say_json({**report.as_json(), **tried})
    else:
        from assembler.commands.console.tables import print_check, print_trial

        print_check(report)
        if trial:
            print_trial(report, trial)
    return DONE if report.ok else ERRORS_FOUND


def _measure(options: argparse.Namespace) -> int:
    from assembler.manifest import load
    from assembler.mastering.measure import measure_files, measure_manifest

    _say_if_loops_compile()
    paths = options.paths
    if len(paths) == 1 and paths[0].suffix.lower() in (".yaml", ".yml"):
        measurements = measure_manifest(load(paths[0]), jobs=options.jobs)
    else:
        measurements = measure_files(paths, jobs=options.jobs)
    if options.json:
        say_json({"files": [measurement.as_json() for measurement in measurements]})
    else:
        from assembler.commands.console.tables import print_measurements

        print_measurements(measurements)
    return DONE


def _survey(options: argparse.Namespace) -> int:
    from assembler.commands.sides import run_survey

    _say_if_loops_compile()
    run_survey(options, say_json)
    return DONE


def _split(options: argparse.Namespace) -> int:
    from assembler.commands.sides import run_split

    _say_if_loops_compile()
    run_split(options, say_json)
    return DONE


def _build(options: argparse.Namespace) -> int:
    from assembler.commands.build import run_build
    from assembler.mastering.plan import ROOMS

    rooms = tuple(options.only.split(",")) if options.only else ROOMS
    if unknown := [room for room in rooms if room not in ROOMS]:
        message = f"--only: no such deliverable: {', '.join(unknown)}; of {', '.join(ROOMS)}"
        say(message, stderr=True)
        return WRONG_USAGE
    done = run_build(options, rooms, _say_if_loops_compile, say_json)
    return DONE if done else ERRORS_FOUND


def _verify(options: argparse.Namespace) -> int:
    from assembler.verification.verify import verify

    _say_if_loops_compile()
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


def _compare(options: argparse.Namespace) -> int:
    from assembler.compare.comparison import compare

    comparison = compare(options.before, options.after, jobs=options.jobs)
    if options.json:
        say_json(comparison.as_json())
    else:
        from assembler.commands.console.comparison import print_comparison

        print_comparison(comparison)
    return DONE


def _approve(options: argparse.Namespace) -> int:
    from assembler.release.approvals import keep_approval, signed

    kept, approval, points = keep_approval(options.approval, options.manifest)
    if options.json:
        told = {"name": approval.name, "date": approval.date, "open_points": points}
        say_json({"ok": True, "kept": str(kept), **told})
        return DONE
    for point in points:
        say(point)
    counted = f"{len(points)} open point{'s' * (len(points) > 1)}, signed"
    say(f"{kept}: {counted if points else 'approved'}{signed(approval)}")
    say("the next build says whether the release is still the one that was approved")
    return DONE


def _store(options: argparse.Namespace) -> int:
    from assembler.cache.store import CacheFolder, store_folder
    from assembler.cache.store_limit import clear_cache, limit_bytes

    store, limit = CacheFolder(store_folder()), limit_bytes()
    size = clear_cache(store) if options.clear else store.size()
    if options.json:
        told = {
            "folder": str(store.folder),
            "entries": size.entries,
            "bytes": size.size_bytes,
            "limit_bytes": limit,
        }
        say_json({"ok": True, "cleared": options.clear, **told})
        return DONE
    was = "cleared; it held " if options.clear else ""
    held = f"{size.entries} entries, {size.size_bytes / 1e6:.0f} MB"
    say(f"{store.folder}: {was}{held}; it keeps at most {limit / 1e9:g} GB")
    return DONE


def _schema(_options: argparse.Namespace) -> int:
    from assembler.manifest.schema import manifest_schema

    say_json(manifest_schema())
    return DONE
