"""Levels, and the sets of download files: each set is an edition of the release, like the disc."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Annotated, Any, Literal, cast, get_args

from pydantic import AfterValidator, BeforeValidator, GetCoreSchemaHandler, GetJsonSchemaHandler
from pydantic_core import core_schema

from assembler.file_names import safe_name
from assembler.manifest.section import Section
from assembler.manifest.values import AtMost, InRange, Line, listed, refusal
from assembler.text import shorten

DISC, DOWNLOAD = "disc", "download"
"""Names of editions: the disc, and the downloads where they are not a list of named sets."""
Match = Literal["album", "track", "none"]
Format = Literal[
    "flac-24",
    "flac-16",
    "wav-24",
    "wav-16",
    "mp3-320",
    "mp3-vbr",
    "opus-160",
    "aac-256",
    "alac-24",
    "ogg-q8",
]
Hold = Literal["none", "approved"]
FORMATS: tuple[Format, ...] = get_args(Format)
Lufs = Annotated[float, InRange(-60, 0, "LUFS")]
Dbtp = Annotated[float, InRange(-20, 0, "dBTP")]
Link = Annotated[float, InRange(0, 100, "%")]
Rate = Annotated[int, InRange(44100, 192000, whole=True)]


def _set_name(name: str) -> str:
    """Refuse the name of a download set that can't be a folder's, or means something else."""
    if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,39}", name):
        message = f"`{shorten(name)}` can't be a set's name: use letters, digits, - and _"
        raise refusal("bad-set-name", message)
    if name.casefold() in (DISC, DOWNLOAD, *FORMATS) or safe_name(name) != name:
        raise refusal("bad-set-name", f"`{name}` already means something else: use another name")
    return name


SetName = Annotated[Line, AfterValidator(_set_name)]


class Level(Section):
    """Loudness target and true-peak ceiling."""

    match: Match = "album"
    """album: one gain, loudest track on target. track: each track on target. none: no gain."""
    target: Lufs = -14.0
    """Target integrated loudness, LUFS."""
    ceiling: Dbtp = -1.0
    """Highest true peak, dBTP."""
    link: Link = 100.0
    """Share of the limiter's gain reduction that both channels have in common, percent."""
    hold: Hold = "none"
    """approved: the gains of the approval file beside the manifest. none: a new match."""


class LevelChange(Section):
    """Level settings of one deliverable that differ from the release's."""

    match: Match | None = None
    """As under `level`."""
    target: Lufs | None = None
    """As under `level`."""
    ceiling: Dbtp | None = None
    """As under `level`."""
    link: Link | None = None
    """As under `level`."""


class DownloadSettings(Section):
    """A set of files for listeners and shops: the only one, or one of several with names."""

    name: SetName | None = None
    """The set's name, where there are several: its files are in a folder of this name."""
    formats: Annotated[
        tuple[Format, ...], BeforeValidator(AtMost(99, "formats").validate), BeforeValidator(listed)
    ] = ("flac-24", "mp3-320")
    """File formats to make."""
    rate: Rate | None = None
    """One sample rate for all files; left out, 16-bit files have 44.1 kHz, others their source's
    rate."""
    lossy_ceiling: Dbtp = 0.0
    """Highest true peak of a decoded lossy file, dBTP; above it, the file is re-encoded lower."""
    level: LevelChange | None = None
    """The downloads' own level, where it differs."""

    @property
    def edition(self) -> str:
        """The name by which tracks and findings refer to the set."""
        return self.name or DOWNLOAD

    @property
    def folder(self) -> str:
        """Its folder in the release."""
        return f"download/{self.name}" if self.name else "download"

    @property
    def folders(self) -> tuple[str, ...]:
        """The folder of each format in `download`: ``flac-24``, or ``shop/flac-24``."""
        inside = f"{self.name}/" if self.name else ""
        return tuple(dict.fromkeys(f"{inside}{name}" for name in self.formats))


def format_of(folder: str) -> Format:
    """Return the format of a folder in `download`."""
    return cast("Format", folder.rpartition("/")[2])


def set_of(folder: str) -> str:
    """Return the download set of a folder in `download`."""
    return folder.rpartition("/")[0] or DOWNLOAD


@dataclass(frozen=True)
class SetsOrOne:
    """A list of download sets, each with a name, or one set without."""

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        return core_schema.no_info_before_validator_function(self._listed, handler(source))

    def __get_pydantic_json_schema__(
        self, schema: core_schema.CoreSchema, handler: GetJsonSchemaHandler
    ) -> dict[str, Any]:
        sets = handler(schema)
        return {"anyOf": [sets["items"], sets]}

    @staticmethod
    def _listed(value: object) -> object:
        if value == []:
            raise refusal("missing-key", "the list is empty: name at least one set, or remove it")
        if not isinstance(value, list):
            if isinstance(value, dict) and "name" in value:
                message = "a single set has no `name`: remove it, or write a list: `- name: …`"
                raise refusal("named-set", message)
            return [value]
        for number, one in enumerate(value, 1):
            if isinstance(one, dict) and "name" not in one:
                raise refusal("missing-key", f"download set {number} has no `name`: add one")
        return value


def with_distinct_names(sets: tuple[DownloadSettings, ...]) -> tuple[DownloadSettings, ...]:
    """Refuse two sets of one name: on some file systems case does not count."""
    names = [one.edition.casefold() for one in sets]
    for name in names:
        if names.count(name) > 1:
            message = f"two download sets are called `{name}`: give each its own name"
            raise refusal("same-name", message)
    return sets
