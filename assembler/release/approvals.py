"""Approvals and the manifests that they speak of."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path

from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.manifest import ManifestFile, load
from assembler.proof.approval import Approval, approval_path, approved
from assembler.release.plan import name_of


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
    elif open_points := list(approval.open_points()):
        message = f"{len(open_points)} open points in {name}: {'; '.join(open_points)}"
        yield source.finding("warning", "approval-with-remarks", (), message)
    else:
        by = f" by {approval.name}" if approval.name else ""
        yield source.finding("note", "approved", (), f"this is the release that was approved{by}")
