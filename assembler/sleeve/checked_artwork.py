"""The record of checked artwork: each part's files, the texts they were held against, the outcome.

It is kept beside the manifest as ``NAME.artwork.json``. A part's entry is replaced when the part
is checked again; what the sleeve carries now is compared with the record's texts.
"""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field

from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.metadata import TrackMetadata
from assembler.text import counted, shorten
from assembler.text_files import OutsideFile
from assembler.whole_files import replace_file

MOST_BYTES = 8_000_000
_MOST_SHOWN = 5

Name = Annotated[str, Field(max_length=1_000_000)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Count = Annotated[int, Field(ge=0, le=1_000_000)]
DURATION = "duration of track"
"""How the durations among the texts begin."""
Carried = tuple[tuple[str, str], ...]
"""The texts of a part: what each one is, and how it reads."""


class _Kept(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, defer_build=True)


class CheckedPart(_Kept):
    """A printed part as it was checked."""

    checked: Annotated[str, Field(pattern=r"^\d{4}-\d{2}-\d{2}$")]
    """The day."""
    files: dict[Name, Digest]
    """SHA-256 of each PDF that has pages of it."""
    errors: Count
    warnings: Count
    texts: tuple[tuple[Name, Name], ...]

    @property
    def outcome(self) -> str:
        """Return what the check found."""
        found = ((self.errors, "error"), (self.warnings, "warning"))
        return ", ".join(counted(count, what) for count, what in found if count) or "no errors"

    @property
    def texts_sha256(self) -> str:
        """SHA-256 of the texts."""
        return hashlib.sha256(json.dumps(self.texts).encode()).hexdigest()


class ArtworkRecord(_Kept):
    """The checked parts of a sleeve."""

    artwork: Literal[1]
    """Version of the form."""
    parts: dict[Name, CheckedPart]


def record_path(manifest_path: Path) -> Path:
    """Return the path of a manifest's record of checked artwork."""
    return manifest_path.with_name(f"{manifest_path.stem}.artwork.json")


def read_record(manifest_path: Path) -> ArtworkRecord | None:
    """Return the record beside a manifest, if there is one.

    Raises
    ------
    AssemblerError
        There is one that can't be read.
    """
    path = record_path(manifest_path)
    if not path.exists():
        return None
    try:
        text = OutsideFile(path, "artwork record", MOST_BYTES).read_text()
        return ArtworkRecord.model_validate_json(text)
    except FindingsError as error:
        raise _unreadable(path, error.findings[0].message) from error
    except (ValueError, RecursionError) as error:
        raise _unreadable(path, "it is not a record of checked artwork") from error


def _unreadable(path: Path, reason: str) -> AssemblerError:
    return AssemblerError(f"{path.name} can't be read: {reason}: check the artwork again")


def keep_parts(parts: Mapping[str, CheckedPart], manifest_path: Path) -> Path:
    """Write checked parts into the record beside a manifest; other parts keep their entries.

    Raises
    ------
    AssemblerError
        It can't be written.
    """
    try:
        last = read_record(manifest_path)
    except AssemblerError:
        last = None
    record = ArtworkRecord(artwork=1, parts={**(last.parts if last else {}), **parts})
    content = json.dumps(record.model_dump(mode="json"), indent=1, ensure_ascii=False)
    path = record_path(manifest_path)
    replace_file(path, content + "\n")
    return path


def changed_texts(then: Carried, now: Carried) -> list[str]:
    """Return what of a part's texts changed since, each in a few words.

    Examples
    --------
    >>> changed_texts((("title of track 3", "Net Loft"),), (("title of track 3", "Net Lofts"),))
    ['title of track 3 “Net Loft”, now “Net Lofts”']
    """
    if not any(what.startswith(DURATION) for what, _ in then):
        now = tuple(pair for pair in now if not pair[0].startswith(DURATION))
    gone, new = Counter(then) - Counter(now), Counter(now) - Counter(then)
    found = []
    for what in dict.fromkeys(what for what, _ in (*then, *now)):
        before = [text for kind, text in gone if kind == what]
        after = [text for kind, text in new if kind == what]
        name = "" if what.startswith("“") else f"{what} "
        pairs = zip(before, after, strict=False)
        found += [f"{name}“{shorten(old)}”, now “{shorten(text)}”" for old, text in pairs]
        found += [f"{name}“{shorten(text)}”, no longer" for text in before[len(after) :]]
        found += [f"{name}“{shorten(text)}” is new" for text in after[len(before) :]]
    return found


@dataclass(frozen=True)
class PartState:
    """A part as it was checked, and what its text has had changed since."""

    name: str
    part: CheckedPart
    changes: tuple[str, ...]


def artwork_state(source: ManifestFile, tracks: Sequence[TrackMetadata]) -> tuple[PartState, ...]:
    """Compare the texts of a sleeve's parts with those that its artwork was checked against.

    Parameters
    ----------
    source
        The manifest.
    tracks
        The tracks as sheets list them.

    Raises
    ------
    AssemblerError
        The record can't be read.
    """
    record = read_record(source.path) if source.manifest.sleeve else None
    if not record:
        return ()
    from assembler.sleeve.wanted import carried_texts

    now = carried_texts(source.manifest, tracks)
    return tuple(
        PartState(name, record.parts[name], tuple(changed_texts(record.parts[name].texts, texts)))
        for name, texts in now.items()
        if name in record.parts
    )


def artwork_findings(source: ManifestFile, tracks: Sequence[TrackMetadata]) -> Iterator[Finding]:
    """Find a sleeve whose text changed since its artwork was checked, or that had errors.

    Parameters
    ----------
    source
        The manifest.
    tracks
        The tracks as sheets list them.
    """
    try:
        parts = artwork_state(source, tracks)
    except AssemblerError as error:
        yield source.finding("warning", "unreadable-artwork-record", ("sleeve",), str(error))
        return
    changes: dict[str, list[str]] = {}
    for one in parts:
        for change in one.changes:
            changes.setdefault(change, []).append(one.name)
    if changes:
        shown = [f"{what} ({', '.join(names)})" for what, names in changes.items()]
        more = f"; and {len(shown) - _MOST_SHOWN} more" if len(shown) > _MOST_SHOWN else ""
        message = (
            "The sleeve was checked against other text: check the artwork again. Changed since: "
            f"{'; '.join(shown[:_MOST_SHOWN])}{more}"
        )
        yield source.finding("warning", "artwork-out-of-date", ("sleeve",), message)
    if wrong := [f"{one.name}: {one.part.outcome}" for one in parts if one.part.errors]:
        message = (
            f"the artwork as it was last checked is not ready for print ({'; '.join(wrong)}): "
            "have it corrected, and check it again"
        )
        yield source.finding("warning", "artwork-with-errors", ("sleeve",), message)
