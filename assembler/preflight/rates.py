"""The sample rate of each download file."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from assembler.download.formats import facts_of
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.sets import Format
from assembler.preflight.editions import Edition
from assembler.preflight.track_section import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import DISC_RATE_HZ

_SHORT_BITS = 16


def format_rates(
    name: Format,
    chosen_hz: int | None,
    sections: Sequence[TrackSection],
    passages: Iterable[Passage],
) -> tuple[int, ...]:
    """Return the rate of each passage in a format.

    It is the set's `rate`, `chosen_hz`. Without one, 16-bit files have the disc's rate, and others
    the highest rate of their sources, or the nearest that their codec allows.
    """
    facts = facts_of(name)

    def rate_of(passage: Passage) -> int:
        if facts.bits == _SHORT_BITS:
            return DISC_RATE_HZ
        own = (sections[place.index].recording.rate_hz for place in passage.places)
        return max(DISC_RATE_HZ, *own)

    return tuple(facts.rate_for(chosen_hz or rate_of(passage)) for passage in passages)


def rate_findings(source: ManifestFile, editions: Mapping[str, Edition]) -> Iterator[Finding]:
    """Warn of formats whose tracks differ in rate."""
    for one in source.manifest.made_sets:
        own = editions[one.edition]
        mixed = []
        for name in dict.fromkeys(one.formats):
            rates = sorted(set(format_rates(name, one.rate, own.sections, own.passages)))
            if len(rates) > 1:
                mixed.append(f"{name} at {_listed([f'{rate / 1000:g}' for rate in rates])} kHz")
        if not mixed:
            continue
        message = (
            f"tracks differ in sample rate: {'; '.join(mixed)}: set `rate` under `download`, such "
            "as 44100, for one rate in every file"
        )
        loc = (*source.manifest.place_of_set(one.edition), "formats")
        yield source.finding("warning", "mixed-rates", loc, message)


def _listed(texts: Sequence[str]) -> str:
    return f"{', '.join(texts[:-1])} and {texts[-1]}"
