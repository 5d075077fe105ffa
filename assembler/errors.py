"""The errors that the user sees."""

from __future__ import annotations

import os
import traceback
from collections.abc import Iterable

from assembler.findings import Finding
from assembler.text import shorten


class AssemblerError(Exception):
    """An error that stops the work, in one line: where, what is wrong, what to do."""


class FindingsError(AssemblerError):
    """The work can't go on because of one or more findings.

    Parameters
    ----------
    findings
        All findings, warnings and notes included.
    """

    def __init__(self, findings: Iterable[Finding]) -> None:
        self.findings = tuple(findings)
        super().__init__(self.findings)  # what it is made from again when another process sends it

    def __str__(self) -> str:
        return "\n".join(str(finding) for finding in self.findings)


class ProgramError(AssemblerError):
    """A bug in this program that stopped the work."""


def explained(error: Exception) -> AssemblerError:
    """Return any error as one that names in one line what is wrong and what to do."""
    if isinstance(error, AssemblerError):
        return error
    if isinstance(error, MemoryError):
        return AssemblerError("there is not enough memory: close other programs and try again")
    if isinstance(error, OSError) and error.strerror:
        named = isinstance(error.filename, str | bytes)
        place = f"{shorten(os.fsdecode(error.filename), 200)}: " if named else ""
        reason = error.strerror.lower()
        return AssemblerError(
            f"{place}{reason}: check the path, the permissions and the free space on the drive"
        )
    at = traceback.extract_tb(error.__traceback__)[-1]
    place = f"{os.path.basename(at.filename)}, line {at.lineno}"  # noqa: PTH119
    what = shorten(" ".join(f"{type(error).__name__}: {error}".split()), 200)
    return ProgramError(f"a bug in this program stopped it ({what}; {place}): report this line")


class SourceError(AssemblerError):
    """A source recording that can't be used.

    Parameters
    ----------
    message
        Which file, what is wrong with it, what to do.
    code
        Kebab-case code of the finding that this becomes.
    index
        The track's index in the manifest, from 0, where it is known.
    """

    def __init__(
        self, message: str, code: str = "unusable-source", index: int | None = None
    ) -> None:
        self.code = code
        self.index = index
        super().__init__(message)
