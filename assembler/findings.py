"""What a check reports: a finding names the place, what is wrong there and what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

from assembler.text import shorten

Severity = Literal["error", "warning", "note"]
Loc = tuple[str | int, ...]


def where_text(loc: Loc) -> str:
    """Return a place in the manifest as text.

    Examples
    --------
    >>> where_text(("tracks", 3, "isrc"))
    'tracks[3].isrc'
    """
    text = ""
    for part in loc:
        key = f"[{part}]" if isinstance(part, int) else shorten(part, 40)
        text += key if isinstance(part, int) or not text else f".{key}"
    return text


@dataclass(frozen=True)
class Finding:
    """One fact about a manifest, a source or a release that the user should know.

    Attributes
    ----------
    severity
        ``error`` stops a build, ``warning`` needs a decision, ``note`` is for information.
    code
        Kebab-case code of the kind of finding.
    where
        Place in the manifest (``tracks[3].isrc``, counted from 0) or a file of the release.
    file
        The file that `line` refers to.
    line
        Line of that file, from 1; 0 where there is none.
    message
        What is wrong and what to do about it.
    """

    severity: Severity
    code: str
    where: str
    file: str
    line: int
    message: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        field = f"{self.where}: " if self.where else ""
        return f"{place}: {self.severity}: {field}{self.message} [{self.code}]"

    def as_json(self) -> dict[str, str | int]:
        """Return the finding as plain data for ``--json``."""
        return asdict(self)


def errors_in(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return the findings that stop a build."""
    return tuple(finding for finding in findings if finding.severity == "error")
