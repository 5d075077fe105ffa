"""What must be made: which passages at which rates and levels, for which deliverables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from assembler.download.formats import FACTS
from assembler.file_names import safe_name
from assembler.manifest import Level, Manifest
from assembler.manifest.model import Format
from assembler.preflight.check import CheckReport
from assembler.preflight.rates import format_rates
from assembler.preflight.sections import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import DISC_RATE_HZ

Room = Literal["disc", "download", "paper", "proof"]
ROOMS: tuple[Room, ...] = ("disc", "download", "paper", "proof")
DISC_BITS = 16


@dataclass(frozen=True)
class MasterSpec:
    """The whole release at one level, each passage at one rate.

    Attributes
    ----------
    level
        Match, target and ceiling.
    rates_hz
        One a passage.
    """

    level: Level
    rates_hz: tuple[int, ...]


@dataclass(frozen=True)
class Plan:
    """The work of a build.

    Attributes
    ----------
    report
        The check that it rests on.
    name
        Of the release's folder and disc files.
    passages
        All passages of all discs.
    rooms
        The kinds of deliverable to make.
    disc
        The mastering of the image; None without a disc.
    joins
        The mastering that clips of the joins are cut from; None without a disc.
    downloads
        The mastering of each format.
    widths
        Word lengths that each mastering is needed in.
    """

    report: CheckReport
    name: str
    passages: tuple[Passage, ...]
    rooms: frozenset[str]
    disc: MasterSpec | None
    joins: MasterSpec | None
    downloads: dict[Format, MasterSpec]
    widths: dict[MasterSpec, tuple[int, ...]]

    def sections_of(self, passage: Passage) -> tuple[TrackSection, ...]:
        """Give the sections of a passage's tracks."""
        return tuple(self.report.sections[place.index] for place in passage.places)

    @property
    def measured_format(self) -> Format | None:
        """Give the download format that the report's levels are of: the first lossless one."""
        formats = sorted(self.downloads, key=lambda name: FACTS[name].lossy)
        return formats[0] if formats else None

    def told_bits(self, deliverable: str) -> int:
        """Give the word length that a deliverable's levels are told of."""
        if deliverable == "disc" or self.measured_format is None:
            return DISC_BITS
        return FACTS[self.measured_format].bits


def plan_release(report: CheckReport, only: Iterable[str] = ROOMS) -> Plan:
    """Plan the work for a manifest that passed its check."""
    manifest = report.source.manifest
    rooms = frozenset(only)
    passages = tuple(passage for disc in report.discs for passage in disc.passages)
    image: MasterSpec | None = None
    if manifest.disc.make and rooms & {"disc", "proof"}:
        image = MasterSpec(manifest.level_of("disc"), (DISC_RATE_HZ,) * len(passages))
    formats = manifest.download.formats if "download" in rooms else ()
    downloads = {
        name: MasterSpec(
            manifest.level_of("download"), format_rates(name, manifest, report.sections, passages)
        )
        for name in dict.fromkeys(formats)
    }
    widths: dict[MasterSpec, set[int]] = {}
    if image:
        widths.setdefault(image, set()).add(DISC_BITS)
    for name, mastering in downloads.items():
        widths.setdefault(mastering, set()).add(FACTS[name].bits)
    return Plan(
        report=report,
        name=release_name(report),
        passages=passages,
        rooms=rooms,
        disc=image if "disc" in rooms else None,
        joins=image if "proof" in rooms else None,
        downloads=downloads,
        widths={mastering: tuple(sorted(bits)) for mastering, bits in widths.items()},
    )


def release_name(report: CheckReport) -> str:
    """Give the name of the release's folder: its catalogue number, else its title."""
    return name_of(report.source.manifest)


def name_of(manifest: Manifest) -> str:
    """Give the name of a manifest's release folder."""
    return safe_name(manifest.release.catalogue_number or manifest.release.title)
