"""Check approvals against the manifest of their release."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from pathlib import Path

from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.manifest import ManifestFile, load
from assembler.manifest.editions import primary_of
from assembler.manifest.model import Manifest
from assembler.mastering.plan import name_of
from assembler.proof.approval import (
    Approval,
    approval_path,
    approved,
    read_approval,
    signed,
    store_approval,
)
from assembler.text import shorten

PARTS = ("words", "levels")
"""What the proof's page asks about besides tracks and joins."""
_MOST_KEYS = 10
APPROVAL_CODES = (
    "unreadable-approval",
    "approved-release-changed",
    "approval-with-remarks",
    "approved",
)
"""Codes of the findings of `approval_findings`."""


def find_manifest(approval: Approval, folders: Iterable[Path]) -> Path:
    """Find the manifest of the release that an approval is for.

    Parameters
    ----------
    approval
        The approval.
    folders
        Folders to search.

    Raises
    ------
    AssemblerError
        No manifest, or more than one, is of that release.
    """
    paths = {path.resolve() for folder in folders for path in folder.glob("*.y*ml")}
    found = sorted(path for path in paths if _name(path) == approval.release)
    if len(found) != 1:
        count = f"{len(found)} manifests" if found else "no manifest"
        raise AssemblerError(
            f"found {count} of {approval.release} here: name the manifest: assembler approve FILE "
            "MANIFEST"
        )
    return found[0]


def _name(path: Path) -> str | None:
    try:
        return name_of(load(path).manifest)
    except FindingsError:
        return None


def keep_approval(path: Path, manifest_path: Path | None) -> tuple[Path, Approval, list[str]]:
    """Read an approval, check it, and store it beside its manifest with today's date.

    Parameters
    ----------
    path
        The file that the proof's page saved.
    manifest_path
        The manifest; None to find it beside the approval or in the working folder.

    Returns
    -------
    kept, approval, open_points
        Where it is stored, its content, and its open points.

    Raises
    ------
    AssemblerError
        It is not an approval of that manifest's release.
    """
    approval = read_approval(path)
    found = manifest_path or find_manifest(approval, (path.parent, Path()))
    manifest = load(found).manifest
    check_approval(approval, manifest, path)
    if approval.date is None:
        approval = approval.model_copy(update={"date": date.today().isoformat()})
    return store_approval(approval, found), approval, open_points(approval, manifest)


def check_approval(approval: Approval, manifest: Manifest, path: Path) -> None:
    """Check that an approval is for a manifest's release and tracks, and names who approves.

    Parameters
    ----------
    approval
        The approval.
    manifest
        The manifest.
    path
        The approval's file, for messages.

    Raises
    ------
    AssemblerError
        It is for another release, has no name, or its tracks are not the manifest's.
    """
    own = name_of(manifest)
    if approval.release != own:
        raise AssemblerError(
            f"{path}: approves {shorten(approval.release)}, but this manifest is of {own}: name "
            "the manifest of that release"
        )
    if not any(sign.isalnum() for sign in approval.name):
        raise AssemblerError(
            f"{path}: has no name: ask whoever approves to enter their name on the proof's page "
            "and save again"
        )
    shown = primary_of(manifest)
    wanted = {
        "tracks": [str(number) for number in range(1, len(manifest.tracks) + 1)],
        "joins": list(_joins_of(shown)),
        "parts": list(PARTS),
    }
    for kind, keys in wanted.items():
        given = [verdict.key for verdict in getattr(approval, kind)]
        twice = [key for key, count in Counter(given).items() if count > 1]
        unknown = [key for key in given if key not in keys]
        needed = keys[: len(shown.tracks)] if kind == "tracks" else []  # the page may lack others
        missing = [key for key in needed if key not in given]
        faults = (("twice", twice), ("unknown", unknown), ("missing", missing))
        if found := [f"{what}: {_listed(keys)}" for what, keys in faults if keys]:
            raise AssemblerError(
                f"{path}: its {kind} are not the manifest's ({'; '.join(found)}): send out the "
                "proof of this manifest, and store the file that its page saves"
            )


def open_points(approval: Approval, manifest: Manifest) -> list[str]:
    """List all that is not ticked, is missing, or has a remark; one line each."""
    joins = {verdict.key for verdict in approval.joins}
    parts = {verdict.key for verdict in approval.parts}
    of_page = _joins_of(primary_of(manifest))
    tracks = {verdict.key for verdict in approval.tracks}
    numbers = map(str, range(1, len(manifest.tracks) + 1))
    left_out = [f"track {key}: not in the file" for key in numbers if key not in tracks]
    left_out += [f"join {key}: not in the file" for key in of_page if key not in joins]
    left_out += [f"{key}: not in the file" for key in PARTS if key not in parts]
    return [*approval.open_points(), *left_out]


def _joins_of(manifest: Manifest) -> Iterator[str]:
    """Return the names of a manifest's joins, as on the proof's page."""
    several = any(track.disc not in (None, 1) for track in manifest.tracks)
    disc, number = 1, 0
    for track in manifest.tracks:
        opens = track.disc is not None or number == 0
        disc, number = track.disc or disc, 1 if opens else number + 1
        if number > 1:
            yield f"{f'{disc}-' if several else ''}{number - 1:02d}-{number:02d}"


def _listed(keys: Sequence[str]) -> str:
    more = f" and {len(keys) - _MOST_KEYS} more" if len(keys) > _MOST_KEYS else ""
    return ", ".join(shorten(key, 20) for key in keys[:_MOST_KEYS]) + more


def approval_findings(source: ManifestFile, proof_of: str) -> Iterator[Finding]:
    """Compare a finished proof with the one that was approved, if any was.

    Parameters
    ----------
    source
        The manifest.
    proof_of
        The digest of this build's proof.
    """
    try:
        approval = approved(source.path)
    except AssemblerError as error:
        message = str(error)
        if isinstance(error, FindingsError):
            message = f"{approval_path(source.path).name}: {error.findings[0].message}"
        yield source.finding("warning", "unreadable-approval", (), message)
        return
    if approval is None:
        return
    name = approval_path(source.path).name
    if approval.proof_of != proof_of:
        message = (
            f"this is not the approved version ({name}): sound or text has changed since; send out "
            "the proof again"
        )
        yield source.finding("warning", "approved-release-changed", (), message)
    elif points := open_points(approval, source.manifest):
        counted = f"{len(points)} open point{'s' * (len(points) > 1)}"
        message = f"{counted} in {name}: {'; '.join(points)}"
        yield source.finding("warning", "approval-with-remarks", (), message)
    else:
        yield source.finding(
            "note", "approved", (), f"this is the release that was approved{signed(approval)}"
        )
