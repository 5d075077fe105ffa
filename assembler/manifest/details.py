"""What shops and collecting societies ask for about a release and its recordings.

The rights owner, the publisher or the collecting society supplies this data; no code is ever
invented here.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BeforeValidator,
    ConfigDict,
    Field,
    WithJsonSchema,
    model_validator,
)

from assembler.manifest.section import Section
from assembler.manifest.values import (
    AtMost,
    Country,
    InRange,
    Ipi,
    Iswc,
    Language,
    Line,
    PartialDate,
    YesNo,
    listed,
    refusal,
)
from assembler.text import compact, decimal

Advisory = Literal["explicit", "clean", "none"]
_TEXT = {"type": ["string", "number", "boolean"]}
_ONE_OR_SEVERAL = {"anyOf": [_TEXT, {"type": "array", "items": _TEXT}]}
Names = Annotated[
    tuple[Line, ...],
    BeforeValidator(AtMost(200, "names").validate),
    BeforeValidator(listed),
    WithJsonSchema(_ONE_OR_SEVERAL),
]
Share = Annotated[float, InRange(0, 100, "%")]
MovementNumber = Annotated[int, InRange(1, 999, whole=True)]
_SHARES_WITHIN = 0.06
"""Percent by which rounded shares may miss 100 (CISAC's Common Works Registration, from memory)."""


def _world(value: object) -> object:
    return [] if value in ("world", ["world"]) else value


class Publisher(Section):
    """A publisher of the work: a name, or its share and IPI name number too."""

    model_config = ConfigDict(json_schema_extra={"type": ["string", "object"]})

    name: Line
    """The publisher."""
    share: Share | None = None
    """Its share of the work, percent."""
    ipi: Ipi | None = None
    """Its IPI name number, as its collecting society assigned it."""

    @property
    def text(self) -> str:
        """The name, with share and IPI in brackets."""
        share = f"{compact(self.share)} %" if self.share is not None else ""
        known = [text for text in (share, self.ipi and f"IPI {self.ipi}") if text]
        return f"{self.name} ({', '.join(known)})" if known else self.name

    @model_validator(mode="before")
    @classmethod
    def _name_alone(cls, value: object) -> object:
        return {"name": value} if isinstance(value, str) else value


class WriterIpi(Section):
    """The IPI name number of a writer."""

    name: Line
    """The writer, as under `composers`, `lyricists` or `arrangers`."""
    ipi: Ipi
    """The number, as the writer's collecting society assigned it."""

    @property
    def text(self) -> str:
        """The name, with the number in brackets."""
        return f"{self.name} (IPI {self.ipi})"


def names_publisher(publishers: Sequence[Publisher], name: str) -> bool:
    """Return whether a name is that of one of some publishers, or of all together."""
    names = [publisher.name for publisher in publishers]
    return name in (*names, *(sign.join(names) for sign in (", ", "; ", " / ", " & ")))


def _whole_shares(publishers: tuple[Publisher, ...]) -> tuple[Publisher, ...]:
    """Refuse shares that do not sum to 100, or that only some publishers have."""
    shares = [publisher.share for publisher in publishers if publisher.share is not None]
    if not shares:
        return publishers
    if len(shares) < len(publishers):
        raise refusal("bad-shares", "some publishers have no `share`: write the share of each")
    if abs(sum(shares) - 100) > _SHARES_WITHIN:
        total = decimal(sum(shares), 2)
        raise refusal(
            "bad-shares", f"the shares sum to {total} %, not 100 %: ask the publishers for theirs"
        )
    return publishers


class ReleaseDetails(Section):
    """What shops ask for about a release."""

    sort_name: Line | None = None
    """The artist's name for alphabetical lists: Hald, Jorun."""
    subgenre: Line | None = None
    """Subgenre for tags and shops."""
    advisory: Advisory | None = None
    """Advisory of all tracks that have none of their own."""
    compilation: YesNo | None = None
    """Whether it is a compilation; left out, it is one from four primary artists on."""
    original_release_date: PartialDate | None = None
    """Date of the first release, where this one is a reissue."""
    territories: Annotated[
        tuple[Country, ...],
        BeforeValidator(AtMost(300, "territories").validate),
        BeforeValidator(listed),
        BeforeValidator(_world),
        WithJsonSchema(_ONE_OR_SEVERAL),
    ] = ()
    """ISO 3166-1 codes of the countries where it may be sold; left out, the world."""


class TrackDetails(Section):
    """What shops and collecting societies ask for about a recording and its work."""

    featuring: Names = ()
    """Featured artists; every deliverable adds them to the title: (feat. …)."""
    remixers: Names = ()
    """Who remixed it."""
    conductor: Names = ()
    """Who conducts."""
    orchestra: Names = ()
    """The orchestra, choir or ensemble."""
    soloists: Names = ()
    """Who plays or sings solo."""
    language: Language | None = None
    """ISO 639 code of the language sung or spoken, where it is not the release's; zxx: none."""
    lyrics_language: Language | None = None
    """ISO 639 code of the language of `lyrics`, where it is not the one sung."""
    instrumental: YesNo = False
    """Whether nothing is sung or spoken; its language is then zxx."""
    advisory: Advisory | None = None
    """explicit, clean (an edited version of explicit content) or none."""
    genre: Line | None = None
    """Genre, where it is not the release's."""
    work: Line | None = None
    """The work that the track is a movement or a part of."""
    movement: Line | None = None
    """Name of the movement."""
    movement_number: MovementNumber | None = None
    """Number of the movement in its work."""
    iswc: Iswc | None = None
    """The work's ISWC, as its collecting society assigned it; never invented here."""
    publishers: Annotated[
        tuple[Publisher, ...],
        AfterValidator(_whole_shares),
        BeforeValidator(AtMost(200, "publishers").validate),
        BeforeValidator(listed),
    ] = ()
    """Publishers of the work with share and IPI, in place of `publisher`; shares sum to 100."""
    writers_ipi: Annotated[
        tuple[WriterIpi, ...], BeforeValidator(AtMost(200, "writers").validate)
    ] = Field(default=(), repr=False)  # a proof's digest is that of the other fields
    """IPI name numbers of composers, lyricists and arrangers."""
    p_line: Line | None = None
    """The recording's ℗ line, without the symbol, where it is not the release's."""
    recording_country: Country | None = None
    """ISO 3166-1 code of the country of recording."""
    original_release_date: PartialDate | None = None
    """Date of the recording's first release, where it is not the release's."""
