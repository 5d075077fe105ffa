"""Plan a build: which passages at which rates and levels, for which deliverables."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

from assembler.download.formats import facts_of
from assembler.file_names import safe_name
from assembler.manifest import Level, Manifest
from assembler.manifest.sets import format_of, set_of
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
    downloads: dict[str, MasterSpec]
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
    def measured(self) -> dict[str, str]:
        """Return the format of each download set whose levels are reported: a lossless one."""
        found: dict[str, str] = {}
        for name in sorted(self.downloads, key=lambda name: facts_of(name).lossy):
            found.setdefault(set_of(name), name)
        return {edition: found[edition] for edition in map(set_of, self.downloads)}

    @property
    def measured_format(self) -> str | None:
        """Return the format that a proof without a disc shows: that of the first set."""
        return next(iter(self.measured.values()), None)

    def measured_bits(self, deliverable: str) -> int:
        """Return the bit depth whose levels are reported for the disc or a download set."""
        name = self.measured.get(deliverable)
        return facts_of(name).bits if name else DISC_BITS


def plan_release(report: CheckReport, only: Iterable[str] = ROOMS) -> Plan:
    """Plan the work for a manifest that passed its check."""
    manifest = report.source.manifest
    rooms = frozenset(only)
    passages = tuple(passage for disc in report.discs for passage in disc.passages)
    image: MasterSpec | None = None
    if manifest.disc.make and rooms & {"disc", "proof"}:
        image = MasterSpec(_level(manifest, "disc"), (DISC_RATE_HZ,) * len(passages))
    downloads = {
        name: MasterSpec(
            _level(manifest, one.edition),
            format_rates(format_of(name), one.rate, report.sections, passages),
        )
        for one in (manifest.download if "download" in rooms else ())
        for name in one.folders
    }
    bit_depths: dict[MasterSpec, set[int]] = {}
    if image:
        bit_depths.setdefault(image, set()).add(DISC_BITS)
    for name, spec in downloads.items():
        bit_depths.setdefault(spec, set()).add(facts_of(name).bits)
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


def _level(manifest: Manifest, edition: str) -> Level:
    return manifest.level_of(edition).model_copy(update={"hold": "none"})


def release_name(report: CheckReport) -> str:
    """Return the name of the release's folder: its catalogue number, else its title."""
    return name_of(report.source.manifest)


def name_of(manifest: Manifest) -> str:
    """Return the name of a manifest's release folder."""
    return safe_name(manifest.release.catalogue_number or manifest.release.title)
