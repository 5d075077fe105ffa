"""Plan a build: which passages at which rates and levels, for which deliverables."""

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
from assembler.preflight.track_section import TrackSection
from assembler.sequence import Passage
from assembler.sequence.frames import DISC_RATE_HZ

Room = Literal["disc", "download", "paper", "proof"]
ROOMS: tuple[Room, ...] = ("disc", "download", "paper", "proof")
DISC_BITS = 16


@dataclass(frozen=True)
class MasterSpec:
    """The whole release at one level, each passage at one rate."""

    level: Level
    """Match, target and ceiling; a hold is the plan's."""
    rates_hz: tuple[int, ...]
    """One per passage."""


@dataclass(frozen=True)
class Plan:
    """The work of a build."""

    report: CheckReport
    """The check that it is based on."""
    name: str
    """Of the release's folder and disc files."""
    passages: tuple[Passage, ...]
    """All passages of all discs."""
    rooms: frozenset[str]
    """The kinds of deliverable to make."""
    disc: MasterSpec | None
    """The master of the image; None without a disc."""
    joins: MasterSpec | None
    """The master that clips of the joins are cut from; None without a disc."""
    downloads: dict[Format, MasterSpec]
    """The master of each format."""
    bit_depths: dict[MasterSpec, tuple[int, ...]]
    """Bit depths that each master is needed in."""

    def sections_of(self, passage: Passage) -> tuple[TrackSection, ...]:
        """Return the sections of a passage's tracks."""
        return tuple(self.report.sections[place.index] for place in passage.places)

    def uses(self, spec: MasterSpec) -> tuple[str, ...]:
        """Return what is made from a master: ``disc``, and download formats."""
        disc = ("disc",) if spec == (self.disc or self.joins) else ()
        return (*disc, *(name for name, own in self.downloads.items() if own == spec))

    @property
    def measured_format(self) -> Format | None:
        """Return the download format whose levels are reported: the first lossless one."""
        formats = sorted(self.downloads, key=lambda name: FACTS[name].lossy)
        return formats[0] if formats else None

    def measured_bits(self, deliverable: str) -> int:
        """Return the bit depth whose levels are reported for a deliverable."""
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
        image = MasterSpec(_level(manifest, "disc"), (DISC_RATE_HZ,) * len(passages))
    formats = manifest.download.formats if "download" in rooms else ()
    downloads = {
        name: MasterSpec(
            _level(manifest, "download"), format_rates(name, manifest, report.sections, passages)
        )
        for name in dict.fromkeys(formats)
    }
    bit_depths: dict[MasterSpec, set[int]] = {}
    if image:
        bit_depths.setdefault(image, set()).add(DISC_BITS)
    for name, spec in downloads.items():
        bit_depths.setdefault(spec, set()).add(FACTS[name].bits)
    return Plan(
        report=report,
        name=release_name(report),
        passages=passages,
        rooms=rooms,
        disc=image if "disc" in rooms else None,
        joins=image if "proof" in rooms else None,
        downloads=downloads,
        bit_depths={spec: tuple(sorted(bits)) for spec, bits in bit_depths.items()},
    )


def _level(manifest: Manifest, deliverable: Literal["disc", "download"]) -> Level:
    return manifest.level_of(deliverable).model_copy(update={"hold": "none"})


def release_name(report: CheckReport) -> str:
    """Return the name of the release's folder: its catalogue number, else its title."""
    return name_of(report.source.manifest)


def name_of(manifest: Manifest) -> str:
    """Return the name of a manifest's release folder."""
    return safe_name(manifest.release.catalogue_number or manifest.release.title)
