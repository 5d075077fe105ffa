"""What a build has to say of the approval that lies beside its manifest."""

from __future__ import annotations

from collections.abc import Iterator

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.proof.approval import approval_path, approved


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
        yield source.finding("warning", "unreadable-approval", (), str(error))
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
