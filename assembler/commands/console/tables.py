"""Findings and tables in a terminal: the running order, levels, builds, checks."""

from __future__ import annotations

import re
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from rich.box import SIMPLE_HEAD
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import SEVERITY_STYLES, new_console
from assembler.findings import Finding
from assembler.manifest.codes import isrc_text
from assembler.manifest.editions import called
from assembler.text import counted, decimal, frames_text, number_ranges, signed

if TYPE_CHECKING:
    from assembler.manifest import ManifestFile
    from assembler.preflight.check import CheckReport
    from assembler.preflight.trial import Trial
    from assembler.release.batch import Job
    from assembler.release.build_report import BuildReport
    from assembler.rip.compare import RipReport
    from assembler.sequence import DiscOrder
    from assembler.verification.second_meter import SecondReading
    from assembler.verification.verify import VerifyReport

MOST_OF_A_KIND = 2
_SIDE_BY_SIDE = 2
"""Deliverables whose levels fit into one table."""


def print_findings(findings: Sequence[Finding]) -> None:
    """Print findings; of many of one kind, only the first and the places of the others."""
    console = new_console()
    kinds: dict[str, list[Finding]] = {}
    for finding in findings:
        kinds.setdefault(finding.code, []).append(finding)
    for finding in findings:
        same = kinds[finding.code]
        grouped = finding.severity != "error" and len(same) > MOST_OF_A_KIND
        if grouped and finding is not same[0]:
            continue
        place = f"{finding.file}:{finding.line}" if finding.line else finding.file
        text = Text().append(finding.severity, style=SEVERITY_STYLES[finding.severity])
        text.append(f" {place}", style="dim")
        text.append(f" {finding.where}" if finding.where else "")
        text.append(f": {finding.message}")
        if grouped:
            text.append(f" ({_others(same[1:])})", style="dim")
        console.print(text, soft_wrap=not console.is_terminal)


def _others(findings: Sequence[Finding]) -> str:
    """Return the places of further findings of one kind."""
    numbers = [re.match(r"tracks\[(\d+)\]", finding.where) for finding in findings]
    if all(numbers):
        return f"likewise tracks {number_ranges(int(n[1]) + 1 for n in numbers if n)}"
    return f"{len(findings)} more of this kind; --json lists all"


def print_check(report: CheckReport) -> None:
    """Print a check: findings, each disc's running order and the time left, other editions."""
    print_findings(report.findings)
    console = new_console()
    manifest = report.source.manifest
    for disc in report.discs:
        console.print(_order_table(report, disc))
        if manifest.disc.make:
            console.print(_time_left(disc, manifest.disc.limit))
    names: dict[tuple[int, ...], list[str]] = {}
    for name, edition in report.others.items():
        names.setdefault(edition.tracks, []).append(called(name))
    for edition in {one.tracks: one for one in report.others.values()}.values():
        text = " and ".join(names[edition.tracks])
        count = counted(len(edition.tracks), "track")
        console.print(f"\n{text[0].upper()}{text[1:]}: {count}")
        for disc in edition.discs_in_manifest:
            console.print(_order_table(report, disc))
    counts = counts_text(report.findings)
    if report.audience:
        verdict = f"{'' if report.ok else 'not yet '}ready for {report.audience}"
    else:
        verdict = "ready to build" if report.ok else "cannot be built yet"
    console.print(f"{report.source.path}: {verdict}{f' ({counts})' if counts else ''}")


def counts_text(findings: Sequence[Finding]) -> str:
    """Return how many findings there are of each severity."""
    counts = {s: sum(f.severity == s for f in findings) for s in SEVERITY_STYLES}
    return ", ".join(f"{n} {s}{'s' * (n != 1)}" for s, n in counts.items() if n)


def print_trial(report: CheckReport, trial: Trial) -> None:
    """Print a running order that was tried."""
    console = new_console()
    console.print()
    console.print(f"{trial} (a trial: the manifest stays as it is)")
    for disc in trial.discs:
        console.print(_order_table(report, disc))
        console.print(_time_left(disc, trial.limit_frames))


def _time_left(disc: DiscOrder, limit_frames: int) -> Text:
    left = limit_frames - disc.frames
    text = Text(f"Disc {disc.number}: {frames_text(disc.frames)} of {frames_text(limit_frames)}, ")
    if left >= 0:
        text.append(f"{frames_text(left)} left", style="green")
    else:
        text.append(f"{frames_text(-left)} over", style="bold red")
    if disc.hidden:
        text.append(f"; {frames_text(disc.hidden.room_frames)} of it hidden before track 1")
    return text


def _order_table(report: CheckReport, disc: DiscOrder) -> Table:
    """Return the table of a disc."""
    manifest = report.source.manifest
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Title", ratio=1, overflow="fold")
    for name in ("Gap", "Start", "Length"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("ISRC", no_wrap=True, min_width=15)
    for place in disc.places:
        track = manifest.tracks[place.index]
        join = "overlap" if track.overlap else "segue"
        joined = place.number > 1 and place.gap_frames == 0
        table.add_row(
            str(place.number),
            Text(track.full_title),
            join if joined else frames_text(place.gap_frames),
            frames_text(place.start_frame),
            frames_text(place.frames),
            isrc_text(track.isrc) if track.isrc else _no_isrc(report.source, place.index),
        )
    return table


def _no_isrc(source: ManifestFile, index: int) -> Text:
    if source.is_wrong("tracks", index, "isrc"):
        return Text("not valid", style=SEVERITY_STYLES["error"])
    return Text("none assigned", style="yellow")


def print_build(report: BuildReport) -> None:
    """Print a finished build: findings, delivered levels, and the folder."""
    print_findings(report.findings)
    found = report.as_json()
    tracks = found["tracks"]
    for track in tracks:
        track |= track.get("sets", {})
    made = [name for name in report.report.level.named if any(t.get(name) for t in tracks)]
    console = new_console()
    if len(made) <= _SIDE_BY_SIDE and "editions" not in found:
        if made:
            console.print(_levels_table(tracks, made))
    else:
        numbers = {
            one["name"]: {place["track"] - 1: place["number"] for place in one["tracks"]}
            for one in found.get("editions", ())
        }
        for name in made:
            own = [
                track
                | {
                    "number": numbers[name][index] if name in numbers else track["number"],
                    "gain_db": track[name]["gain_db"],
                    "most_limiting_db": track[name]["limiting"]["most_db"],
                }
                for index, track in enumerate(tracks)
                if track.get(name)
            ]
            console.print(_levels_table(own, [name]))
    count = len(report.made) + len(report.reused)
    reused = f", {len(report.reused)} of them reused" if report.reused else ""
    console.print(f"{count} files in {report.release_dir}{reused}", soft_wrap=True)


def _levels_table(tracks: Sequence[dict[str, Any]], names: Sequence[str]) -> Table:
    """Return the table of the tracks' gains, and their levels in some deliverables."""
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("", justify="right", no_wrap=True)
    table.add_column("Title", ratio=1, overflow="fold")
    table.add_column("Gain\ndB", justify="right", no_wrap=True)
    table.add_column("Max GR\ndB", justify="right", no_wrap=True)
    for name in names:
        table.add_column(f"{name.capitalize()}\nLUFS", justify="right", no_wrap=True)
        table.add_column("\ndBTP", justify="right", no_wrap=True)
    for track in tracks:
        levels = [
            track[name][key] for name in names for key in ("integrated_lufs", "true_peak_dbtp")
        ]
        table.add_row(
            str(track["number"]),
            Text(track["title"]),
            signed(track["gain_db"]),
            decimal(track["most_limiting_db"]),
            *map(decimal, levels),
        )
    return table


def print_jobs(jobs: Sequence[Job]) -> None:
    """Print several builds: findings that need attention, then a table."""
    print_findings(
        [f for job in jobs for f in job.findings if f.severity != "note" or not job.report]
    )
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("Release", ratio=1, overflow="fold")
    for name in ("Tracks", "Length", "Made", "Reused"):
        table.add_column(name, justify="right", no_wrap=True)
    table.add_column("Findings", no_wrap=True)
    for job in jobs:
        frames = sum(disc.frames for disc in job.checked.discs) if job.checked else 0
        report = job.report
        table.add_row(
            Text(report.release_dir.name if report else job.path.name),
            str(len(job.checked.sections)) if frames and job.checked else "–",
            frames_text(frames) if frames else "–",
            str(len(report.made)) if report else Text("not made", style=SEVERITY_STYLES["error"]),
            str(len(report.reused)) if report else "–",
            counts_text(job.findings) or "none",
        )
    console = new_console()
    console.print(table)
    made = sum(job.report is not None for job in jobs)
    console.print(f"{made} of {len(jobs)} releases made")


def print_explanation(report: BuildReport) -> None:
    """Print why each file was made or reused, grouped by reason, and the tasks that did work."""
    console = new_console()
    for action, names in (("made", report.made), ("reused", report.reused)):
        by_reason: dict[str, list[str]] = {}
        for name in names:
            by_reason.setdefault(report.reasons.get(name, ""), []).append(name)
        for reason, of_one_reason in by_reason.items():
            console.print(Text(f"{action}: {reason}", style="yellow" if action == "made" else ""))
            for name in of_one_reason:
                console.print(Text(f"  {name}"), soft_wrap=True)
    if report.tasks:
        console.print(Text("work done:", style="yellow"))
    for name in report.tasks:
        console.print(Text(f"  {name}"), soft_wrap=True)


def print_verification(report: VerifyReport) -> None:
    """Print the findings, what was checked, and the verdict."""
    print_findings(report.findings)
    console = new_console()
    for proof in report.proofs:
        console.print(f"checked {proof}")
    if report.readings:
        console.print(_meters_table(report.readings))
    unchecked = sum(finding.severity == "warning" for finding in report.findings)
    verdict = "everything checked matches"
    if not report.ok:
        verdict = "differs: see the errors above"
    elif unchecked:
        verdict += f"; {unchecked} point{'s' * (unchecked > 1)} above could not be checked"
    style = "bold red" if not report.ok else "yellow" if unchecked else "green"
    console.print(Text(f"{report.release_dir}: ").append(verdict, style=style), soft_wrap=True)


def print_rip(report: RipReport) -> None:
    """Print the findings, what was compared, and the verdict."""
    print_findings(report.findings)
    console = new_console()
    for proof in report.proofs:
        console.print(f"compared {proof}")
    verdict, style = "the rip differs from the disc that was sent: see the errors above", "bold red"
    if report.ok:
        offset = f" with offset {report.offset_samples:+d}".replace("-", "−")
        warned = any(finding.severity == "warning" for finding in report.findings)
        verdict = f"the rip is bit-identical to the image{offset if report.offset_samples else ''}"
        verdict, style = (
            (f"{verdict}; see the warnings above", "yellow") if warned else (verdict, "green")
        )
    console.print(Text(f"{report.release_dir}: ").append(verdict, style=style), soft_wrap=True)


def _meters_table(readings: Sequence[SecondReading]) -> Table:
    """Return the table of both meters' readings."""
    table = Table(box=SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("\nFile", ratio=1, overflow="fold")
    for name in ("assembler\nLUFS", "pyloudnorm\nLUFS", "assembler\ndBTP", "soxr × 16\ndBTP"):
        table.add_column(name, justify="right", no_wrap=True)
    for one in readings:
        levels = (one.ours_lufs, one.theirs_lufs, one.ours_dbtp, one.theirs_dbtp)
        style = "" if one.agrees else SEVERITY_STYLES["error"]
        table.add_row(Text(one.name), *(decimal(level, 2) for level in levels), style=style)
    return table
