"""The one family of errors that reaches the person at the desk."""

from __future__ import annotations

from collections.abc import Iterable

from assembler.findings import Finding


class AssemblerError(Exception):
    """Something that stops the work, said in one line: where, what is wrong, what to do."""


class FindingsError(AssemblerError):
    """The work can't go on because of one or more findings.

    Parameters
    ----------
    findings
        All that was found, errors and lesser findings alike.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__("\n".join(str(finding) for finding in self.findings))


class SourceError(AssemblerError):
    """A source recording that can't be used.

    Parameters
    ----------
    message
        Which file, what is wrong with it, what to do.
    code
        Kebab-case name of the finding that this becomes.
    index
        The track's place in the manifest, from 0, where it is known.
    """

    def __init__(
        self, message: str, code: str = "unusable-source", index: int | None = None
    ) -> None:
        self.code = code
        self.index = index
        super().__init__(message)
