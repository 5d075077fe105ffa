"""What an import would do: the match of each row, each change, and the findings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

from assembler.draft.list_fields import LIST_FIELDS
from assembler.findings import Finding, errors_in
from assembler.manifest import ManifestFile
from assembler.manifest.yaml_edits import PlainValue
from assembler.tables.matching import RowMatch
from assembler.tables.reading import CreditTable
from assembler.tables.tracks import TrackRow

Kind = Literal["fill", "replace", "clash"]


@dataclass(frozen=True)
class Change:
    """A value of a table that the manifest does not have."""

    index: int
    """Index of the track."""
    name: str
    """The field, as in `LIST_FIELDS`."""
    line: int
    """The table's row."""
    before: str
    """What the manifest has; empty where it has nothing."""
    after: str
    value: PlainValue
    """What is written; for `credits`, one more credit."""
    kind: Kind
    """`fill` an empty key, `replace` a value, or leave a `clash` as it is."""

    @property
    def key(self) -> str:
        """The key in the manifest."""
        return LIST_FIELDS[self.name].key or self.name


@dataclass(frozen=True)
class ImportPlan:
    """What an import would do."""

    source: ManifestFile
    table: CreditTable
    tracks: tuple[TrackRow, ...]
    matches: tuple[RowMatch, ...]
    changes: tuple[Change, ...]
    findings: tuple[Finding, ...]

    def with_edits(self, written: Sequence[Change], findings: Sequence[Finding]) -> ImportPlan:
        """Return the plan with what can be written; other changes stay as clashes."""
        changes = (c if c in written else replace(c, kind="clash") for c in self.changes)
        order = ("error", "warning", "note")
        ordered = sorted((*self.findings, *findings), key=lambda f: order.index(f.severity))
        return replace(self, changes=tuple(changes), findings=tuple(ordered))

    @property
    def ok(self) -> bool:
        """Whether there is no error."""
        return not errors_in(self.findings)

    @property
    def written(self) -> tuple[Change, ...]:
        """The changes that are written: all but clashes."""
        return tuple(change for change in self.changes if change.kind != "clash")

    def as_json(self) -> dict[str, Any]:
        """Return rows and changes as plain data for ``--json``."""
        return {
            "rows": [
                {
                    "row": match.row.line,
                    "title": match.row.title,
                    "track": None if match.index is None else match.index + 1,
                    "confidence": match.confidence,
                    "applied": match.is_applied,
                    "agreeing": list(match.by),
                    "title_similarity": round(match.similarity, 1),
                    "doubt": match.doubt or None,
                }
                for match in self.matches
            ],
            "changes": [
                {
                    "track": change.index + 1,
                    "row": change.line,
                    "key": change.key,
                    "before": change.before or None,
                    "after": change.after,
                    "kind": change.kind,
                }
                for change in self.changes
            ],
        }
