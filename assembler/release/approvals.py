"""Approvals and the manifests that they speak of."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from datetime import date
from pathlib import Path

from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.manifest import ManifestFile, load
from assembler.manifest.model import Manifest
from assembler.mastering.plan import name_of
from assembler.proof.approval import (
    Approval,
    approval_path,
    approved,
    read_approval,
    store_approval,
)
from assembler.text import shorten

PARTS = ("words", "levels")
"""What the proof's page asks about beside tracks and joins."""
_MOST_KEYS = 10
APPROVAL_CODES = (
    "unreadable-approval",
    "approved-release-changed",
    "approval-with-remarks",
    "approved",
)
"""Of the findings of `approval_findings`."""


def find_manifest(approval: Approval, folders: Iterable[Path]) -> Path:
    """Find the manifest of the release that an approval speaks of.

    Parameters
    ----------
    approval
        As it was read.
    folders
        Where manifests may lie.

    Raises
    ------
    AssemblerError
        None of them, or more than one, is of that release.
    """
    paths = {path.resolve() for folder in folders for path in folder.glob("*.y*ml")}
    found = sorted(path for path in paths if _name(path) == approval.release)
    if len(found) != 1:
        what = "no manifest here is" if not found else f"{len(found)} manifests here are"
        raise AssemblerError(
            f"{what} of {approval.release}: name it: assembler approve FILE MANIFEST"
        )
    return found[0]


def _name(path: Path) -> str | None:
    try:
        return name_of(load(path).manifest)
    except FindingsError:
        return None


def keep_approval(path: Path, manifest_path: Path | None) -> tuple[Path, Approval, list[str]]:
    """Read an approval, check it, and keep it beside its manifest with the day.

    Parameters
    ----------
    path
        As the proof's page saved it.
    manifest_path
        The manifest; None to find it beside the approval or in the working folder.

    Returns
    -------
    kept, approval, open_points
        Where it is kept, what it says, and what in it is open.

    Raises
    ------
    AssemblerError
        It is no approval of that manifest's release.
    """
    approval = read_approval(path)
    found = manifest_path or find_manifest(approval, (path.parent, Path()))
    manifest = load(found).manifest
    check_approval(approval, manifest, path)
    if approval.date is None:
        approval = approval.model_copy(update={"date": date.today().isoformat()})
    return store_approval(approval, found), approval, open_points(approval, manifest)


def check_approval(approval: Approval, manifest: Manifest, path: Path) -> None:
    """Check that an approval speaks of a manifest's release, of each of its tracks, by a name.

    Parameters
    ----------
    approval
        As it was read.
    manifest
        The release that it is to be kept for.
    path
        The approval's file, for messages.

    Raises
    ------
    AssemblerError
        It is another release's, nameless, or its tracks are not the manifest's.
    """
    own = name_of(manifest)
    if approval.release != own:
        raise AssemblerError(
            f"{path}: approves {shorten(approval.release)}, and this manifest is of {own}: name "
            "the manifest of that release"
        )
    if not any(sign.isalnum() for sign in approval.name):
        raise AssemblerError(
            f"{path}: names nobody: whoever approves enters a name on the proof's page and saves "
            "again"
        )
    wanted = {
        "tracks": [str(number) for number in range(1, len(manifest.tracks) + 1)],
        "joins": list(_joins_of(manifest)),
        "parts": list(PARTS),
    }
    for kind, keys in wanted.items():
        given = [verdict.key for verdict in getattr(approval, kind)]
        twice = [key for key, count in Counter(given).items() if count > 1]
        unknown = [key for key in given if key not in keys]
        missing = [key for key in keys if key not in given] if kind == "tracks" else []
        faults = (("twice", twice), ("unknown", unknown), ("missing", missing))
        if told := [f"{what}: {_listed(found)}" for what, found in faults if found]:
            raise AssemblerError(
                f"{path}: its {kind} are not the manifest's ({'; '.join(told)}): send the proof of "
                "this manifest out, and keep what its page saves"
            )


def open_points(approval: Approval, manifest: Manifest) -> list[str]:
    """Return all that is not ticked, is left out, or has a remark; one line each."""
    joins = {verdict.key for verdict in approval.joins}
    parts = {verdict.key for verdict in approval.parts}
    left_out = [f"join {key}: not in the file" for key in _joins_of(manifest) if key not in joins]
    left_out += [f"{key}: not in the file" for key in PARTS if key not in parts]
    return [*approval.open_points(), *left_out]


def _joins_of(manifest: Manifest) -> Iterator[str]:
    """Name the joins of a manifest's discs, as the proof's page does."""
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
    """Hold a finished proof against the one that was approved, if any was.

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
        said = str(error)
        if isinstance(error, FindingsError):
            said = f"{approval_path(source.path).name}: {error.findings[0].message}"
        yield source.finding("warning", "unreadable-approval", (), said)
        return
    if approval is None:
        return
    name = approval_path(source.path).name
    if approval.proof_of != proof_of:
        message = (
            f"this is not what was approved ({name}): sound or words have changed since; send the "
            "proof out again"
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


def signed(approval: Approval) -> str:
    """Return by whom and when a release was approved, to be put behind a verb."""
    by = f" by {shorten(approval.name)}" if approval.name.strip() else ""
    return f"{by} on {approval.date}" if approval.date else by
