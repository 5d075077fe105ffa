"""The artist's approval file: read it, keep it beside the manifest, find it again."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationError,
    model_validator,
)

from assembler.errors import AssemblerError
from assembler.manifest.sets import Match
from assembler.text import number_ranges, shorten
from assembler.text_files import OutsideFile
from assembler.whole_files import replace_file

MOST_BYTES = 8_000_000
"""More than a hundred tracks with remarks of full length."""

_PART_NAMES = {"words": "sleeve text"}

Name = Annotated[str, Field(max_length=1_000_000)]  # a manifest's longest text
Remark = Annotated[str, Field(max_length=10_000)]


def _day(text: str) -> str:
    if not re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII):
        raise ValueError("a date is written YYYY-MM-DD")
    date.fromisoformat(text)
    return text


Day = Annotated[str, AfterValidator(_day)]
Digest = Annotated[str, Field(pattern=r"^[0-9a-f]{64}$")]
Db = Annotated[float, Field(ge=-200, le=200, allow_inf_nan=False)]


class _Answer(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, defer_build=True)


class Verdict(_Answer):
    """The artist's answer on one track, join or part."""

    key: Name
    """Number of the track, name of the clip, or ``words`` (the sleeve text) or ``levels``."""
    title: Name
    approved: bool
    remark: Remark


class ApprovedTrack(_Answer):
    """The sound of a track as it was played on the proof page."""

    sound: Digest
    """Digest of source, section, EQ, fades and restoration: what a hold recognises it by."""
    title: Name
    isrc: Name | None = None
    sources: tuple[Name, ...]
    """SHA-256 of its source files."""
    files: tuple[Name, ...]
    """Their paths in the manifest."""
    trim_db: Db
    pcm: Digest | None = None
    """Digest of its PCM in the master that the proof shows."""


class ApprovedMaster(_Answer):
    """The gains of a deliverable: the disc, or a download format."""

    name: Name
    match: Match
    target: Db
    ceiling: Db
    album_gain_db: Db | None = None
    """The album's gain without trim; None where tracks were matched one by one."""
    gains_db: tuple[Db | None, ...]
    """Match and trim together, one per track; None for a track that the deliverable lacks."""
    lufs: tuple[Db | None, ...]
    """Integrated loudness as delivered, one per track; None for silence."""


class ApprovedSound(_Answer):
    """What a hold needs to know of an approved release."""

    tracks: tuple[ApprovedTrack, ...]
    masters: tuple[ApprovedMaster, ...]

    @model_validator(mode="after")
    def _one_value_per_track(self) -> ApprovedSound:
        for master in self.masters:
            if {len(master.gains_db), len(master.lufs)} != {len(self.tracks)}:
                raise ValueError(f"{shorten(master.name, 20)} does not have one gain per track")
        return self


class HeardTrack(_Answer):
    """The file of one track that the page plays."""

    file: Digest | None = None
    played: Annotated[float, Field(ge=0, le=1)]
    """Share of it that this page, in this browser, has played at an audible volume."""


class HeardFiles(_Answer):
    """What the page plays."""

    audio: Name
    """Format: of the release's files, or of a mailed proof's."""
    tracks: tuple[HeardTrack, ...]
    """As the page lists them: of the primary edition, then of others."""
    editions: Name = ""
    """Which editions the page played, and which not; empty if it played all, or is of an older
    release."""

    def __str__(self) -> str:
        """Return it in words: the format, and how much of each track was played."""
        shares: dict[int, list[int]] = {}
        for number, track in enumerate(self.tracks, 1):
            shares.setdefault(round(100 * track.played), []).append(number)
        texts = (f"{share} % of {number_ranges(shares[share])}" for share in sorted(shares)[::-1])
        editions = f". {shorten(self.editions, 500)}" if self.editions else ""
        return f"the page played {shorten(self.audio)}; by track: {', '.join(texts)}{editions}"


class Approval(_Answer):
    """The artist's answers on a release."""

    approval: Literal[1]
    """Version of the form."""
    release: Name
    """Name of the release's folder."""
    proof_of: Digest
    """Digest of the content of the proof."""
    approved: bool
    """The release as a whole."""
    name: Name
    """Who approves it."""
    date: Day | None = None
    """The day it was saved; pages of older releases write none."""
    remark: Remark
    tracks: tuple[Verdict, ...]
    joins: tuple[Verdict, ...]
    parts: tuple[Verdict, ...]
    sound: ApprovedSound | None = None
    """Gains and sounds of the proof; pages of older releases write none."""
    heard: HeardFiles | None = None
    """What the page played; pages of older releases write none."""

    def open_points(self) -> Iterator[str]:
        """List everything that is not ticked or has a remark, one line each."""
        if not self.approved:
            yield "the release as a whole is not approved"
        if self.remark:
            yield f"remark: {shorten(self.remark, 500)}"
        for kind in ("tracks", "joins", "parts"):
            for verdict in getattr(self, kind):
                points = [] if verdict.approved else ["not OK"]
                points += [shorten(verdict.remark, 500)] if verdict.remark else []
                if points:
                    what = "" if kind == "parts" else f"{kind.removesuffix('s')} "
                    name = _PART_NAMES.get(verdict.key, shorten(verdict.key))
                    title = f" {shorten(verdict.title)}" if verdict.title else ""
                    yield f"{what}{name}{title}: {'; '.join(points)}"


def signed(approval: Approval) -> str:
    """Return by whom and when a release was approved, to follow a verb."""
    by = f" by {shorten(approval.name)}" if approval.name.strip() else ""
    return f"{by} on {approval.date}" if approval.date else by


def read_approval(path: Path) -> Approval:
    """Read an approval file.

    Raises
    ------
    AssemblerError
        It can't be read, or was not written by a proof page.
    """
    try:
        text = OutsideFile(path, "approval", MOST_BYTES).read_text()
        return Approval.model_validate_json(_checked(text))
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False)[0]
        place = ".".join(str(part) for part in first["loc"])
        raise _not_an_approval(
            path, f"{shorten(place)}: {first['msg']}".removeprefix(": ")
        ) from error
    except (ValueError, RecursionError) as error:
        raise _not_an_approval(path, str(error) or "nested too deep") from error


def store_approval(approval: Approval, manifest_path: Path) -> Path:
    """Write an approval beside the manifest; it replaces an earlier one.

    Returns
    -------
    Path
        The file: the manifest's name with ``.approval.json``.

    Raises
    ------
    AssemblerError
        It can't be written.
    """
    path = approval_path(manifest_path)
    content = approval.model_dump(mode="json", exclude_none=True)
    replace_file(path, json.dumps(content, indent=2, ensure_ascii=False) + "\n")
    return path


def approved(manifest_path: Path) -> Approval | None:
    """Return the approval beside a manifest, if there is one.

    Raises
    ------
    AssemblerError
        There is one that can't be read.
    """
    path = approval_path(manifest_path)
    return read_approval(path) if path.exists() else None


def approval_path(manifest_path: Path) -> Path:
    """Return the path of a manifest's approval."""
    return manifest_path.with_name(f"{manifest_path.stem}.approval.json")


def _checked(text: str) -> str:
    """Refuse JSON with a repeated key; pydantic would use the last."""
    json.loads(text, object_pairs_hook=_unique_keys)
    return text


def _unique_keys(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    content = dict(pairs)
    if len(content) != len(pairs):
        raise ValueError("a key is repeated")
    return content


def _not_an_approval(path: Path, reason: str) -> AssemblerError:
    return AssemblerError(
        f"{path}: not an approval file: {shorten(reason, 200)}: save it again from the proof page"
    )
