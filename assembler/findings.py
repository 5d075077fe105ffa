"""What a check has to say: a finding names its place, what is wrong there and the remedy."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Literal

Severity = Literal["error", "warning", "note"]
Loc = tuple[str | int, ...]


def where_text(loc: Loc) -> str:
    """Write a place in the manifest as text.

    Examples
    --------
    >>> where_text(("tracks", 3, "isrc"))
    'tracks[3].isrc'
    """
    text = ""
    for part in loc:
        key = part if isinstance(part, int) else _short_key(part)
        text += f"[{key}]" if isinstance(part, int) else f".{key}" if text else f"{key}"
    return text


def _short_key(key: str) -> str:
    """Keep a key that someone mistyped on one line and short."""
    line = "".join(sign if sign.isprintable() else "?" for sign in key)
    return line if len(line) <= 40 else f"{line[:39]}…"


@dataclass(frozen=True)
class Finding:
    """One thing to know about a manifest, a source or a release.

    Attributes
    ----------
    severity
        ``error`` stops a build, ``warning`` wants a decision, ``note`` is good to know.
    code
        Kebab-case name of the kind of finding.
    where
        Place in the manifest (``tracks[3].isrc``, counted from 0) or a file of the release.
    file
        The file that the line counts in.
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
        """Give the finding as plain data for ``--json``."""
        return asdict(self)


def errors_in(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Keep the findings that stop a build."""
    return tuple(finding for finding in findings if finding.severity == "error")
