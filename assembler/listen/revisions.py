"""The manifest's text while the page is open: edited by the page and, at any time, from outside.

Each state of the text is a revision with a number. An edit names the revision that it was made on;
if the text is another by then, it is refused, and nothing is written. The file is written aside and
renamed, so a reader finds the old text or the new one.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding, errors_in
from assembler.manifest import ManifestFile, load_text, load_to_check
from assembler.preflight.check import CheckReport, check
from assembler.tables.manifest_text import write_manifest

MOST_STEPS = 500
"""Revisions that can be undone."""


class ConflictError(AssemblerError):
    """An edit was made on a revision that is no longer the current one."""


@dataclass(frozen=True)
class Revision:
    """One state of the manifest.

    Attributes
    ----------
    number
        Counts from 1; a text that returns gets a new number.
    text
        The file's text; None where it can't be read.
    report
        Its check; of the last text that could be checked where this one can't.
    findings
        All findings of this text.
    """

    number: int
    text: str | None
    report: CheckReport | None
    findings: tuple[Finding, ...]

    @property
    def ok(self) -> bool:
        """No errors."""
        return not errors_in(self.findings)


class Revisions:
    """The current revision, and those that can be undone and redone.

    Parameters
    ----------
    path
        The manifest.

    Raises
    ------
    FindingsError
        The manifest can't be loaded.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._undo: list[str] = []
        self._redo: list[str] = []
        source = load_to_check(path)
        report = check(source)
        self.current = Revision(1, source.text, report, report.findings)

    @property
    def can_undo(self) -> bool:
        """There is an earlier text to return to."""
        return bool(self._undo)

    @property
    def can_redo(self) -> bool:
        """An edit was undone."""
        return bool(self._redo)

    def edit(self, number: int, change: Callable[[ManifestFile], str]) -> Revision:
        """Write a changed text.

        Parameters
        ----------
        number
            The revision that the change was made on.
        change
            Returns the new text.

        Raises
        ------
        ConflictError
            That revision is no longer the current one.
        FindingsError
            The new text has errors that the old one has not: nothing was written.
        AssemblerError
            The change can't be made, or the file can't be written.
        """
        with self._lock:
            source = self._source(number)
            text = change(source)
            if text == source.text:
                return self.current
            self._write(source, text)
            self._note_undo(source.text)
            return self.current

    def undo(self, number: int) -> Revision:
        """Return to the text before the last edit; see `edit`."""
        return self._step(number, self._undo, self._redo, "there is nothing to undo")

    def redo(self, number: int) -> Revision:
        """Return to the text before the last undo; see `edit`."""
        return self._step(number, self._redo, self._undo, "there is nothing to redo")

    def _step(self, number: int, take: list[str], give: list[str], nothing: str) -> Revision:
        with self._lock:
            source = self._source(number)
            if not take:
                raise AssemblerError(nothing)
            self._write(source, take[-1])
            take.pop()
            give.append(source.text)
            return self.current

    def read_again(self) -> bool:
        """Read the file if it was changed from outside; return whether there is a new revision."""
        with self._lock:
            old = self.current
            try:
                source = load_to_check(self.path)
            except FindingsError as error:
                text, report, findings = None, old.report, error.findings
                if old.text is None and old.findings == findings:
                    return False
            else:
                text = source.text
                if text == old.text:
                    return False
                report = check(source)
                findings = report.findings
            if old.text is not None:
                self._note_undo(old.text)
            self.current = Revision(old.number + 1, text, report, findings)
            return True

    def _note_undo(self, text: str) -> None:
        """Keep a text that was replaced; what was undone before can't be redone any more."""
        self._undo = [*self._undo[-MOST_STEPS:], text]
        self._redo.clear()

    def _source(self, number: int) -> ManifestFile:
        """Return the manifest of a revision that must be the current one."""
        self.read_again()
        current = self.current
        if number != current.number:
            raise ConflictError(
                "the manifest was changed elsewhere: the page shows it now; make the change again"
            )
        if current.text is None or current.report is None:
            raise FindingsError(current.findings)
        return current.report.source

    def _write(self, source: ManifestFile, text: str) -> None:
        """Write a text that has no errors which the old one has not."""
        report = check(load_text(text, source.path))
        before = {_identity(finding) for finding in self.current.findings}
        errors = [f for f in errors_in(report.findings) if _identity(f) not in before]
        if errors:
            raise FindingsError(errors)
        write_manifest(source, text, load_to_check)
        self.current = Revision(self.current.number + 1, text, report, report.findings)


def _identity(finding: Finding) -> tuple[str, str, str]:
    return finding.code, finding.where, finding.message
