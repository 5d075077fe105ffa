"""Plan a build: which passages at which rates and levels, for which deliverables."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import partial
from typing import Literal

from assembler.download.formats import facts_of
from assembler.file_names import safe_name
from assembler.manifest import Level, Manifest
from assembler.manifest.editions import listed_tracks
from assembler.manifest.sets import DISC, format_of, set_of
from assembler.preflight.check import CheckReport
from assembler.preflight.editions import Edition
from assembler.preflight.rates import format_rates
from assembler.sequence.frames import DISC_RATE_HZ

Room = Literal["disc", "download", "paper", "proof"]
ROOMS: tuple[Room, ...] = ("disc", "download", "paper", "proof")
DISC_BITS = 16


@dataclass(frozen=True)
class MasterSpec:
    """An edition at one level, each passage at one rate."""

    level: Level
    """Match, target and ceiling; a hold is the plan's."""
    rates_hz: tuple[int, ...]
    """One per passage."""
    tracks: tuple[int, ...]
    """The edition's tracks, by index in the manifest."""


@dataclass(frozen=True)
class Plan:
    """The work of a build."""

    report: CheckReport
    """The check that it is based on."""
    name: str
    """Of the release's folder and disc files."""
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

    def edition(self, spec: MasterSpec) -> Edition:
        """Return the edition that a master is of."""
        return next(e for e in self.report.editions.values() if e.tracks == spec.tracks)

    @property
    def others(self) -> dict[int, str]:
        """Return the tracks that the primary edition lacks, each with a measured format of it."""
        primary, measured = self.report.primary.tracks, self.measured.values()
        return {
            index: folder
            for index in listed_tracks(self.report.source.manifest)
            if index not in primary
            for folder in [one for one in measured if index in self.downloads[one].tracks][:1]
        }

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
    image: MasterSpec | None = None
    if manifest.disc.make and rooms & {"disc", "proof"}:
        image = _spec(report, DISC, lambda edition: (DISC_RATE_HZ,) * len(edition.passages))
    downloads = {
        name: _spec(report, one.edition, partial(_rates_hz, name, one.rate))
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
        rooms=rooms,
        disc=image if "disc" in rooms else None,
        joins=image if "proof" in rooms else None,
        downloads=downloads,
        bit_depths={spec: tuple(sorted(bits)) for spec, bits in bit_depths.items()},
    )


def _spec(
    report: CheckReport, name: str, rates_hz: Callable[[Edition], tuple[int, ...]]
) -> MasterSpec:
    edition = report.editions[name]
    level = report.source.manifest.level_of(name).model_copy(update={"hold": "none"})
    return MasterSpec(level, rates_hz(edition), edition.tracks)


def _rates_hz(folder: str, chosen_hz: int | None, edition: Edition) -> tuple[int, ...]:
    return format_rates(format_of(folder), chosen_hz, edition.sections, edition.passages)


def release_name(report: CheckReport) -> str:
    """Return the name of the release's folder: its catalogue number, else its title."""
    return name_of(report.source.manifest)


def name_of(manifest: Manifest) -> str:
    """Return the name of a manifest's release folder."""
    return safe_name(manifest.release.catalogue_number or manifest.release.title)
