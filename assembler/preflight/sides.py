"""The sides of a release, restored once and kept in the cache."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

from assembler.audio import Recording
from assembler.audio.probe import probe
from assembler.cache.folder import CacheFolder, cache_key
from assembler.findings import Finding, Loc
from assembler.manifest import ManifestFile
from assembler.manifest.filters import Equalised
from assembler.manifest.transfers import Transfer
from assembler.text import clock_text

if TYPE_CHECKING:
    from assembler.restoration.condition import Condition

METHOD = 17
"""Version of the restoration: raise it when the same settings would give other sound."""
_UNRESOLVED = {"hum": "Correct `mains`, or remove", "wow": "Remove"}
"""What to do about a step whose value is not determined, where none can be set by ear."""


@dataclass(frozen=True)
class Side:
    """A side that tracks are on."""

    name: str
    """As the manifest names it."""
    transfer: Transfer
    original: Recording
    """The transfer before restoration."""
    recording: Recording
    """What tracks are read from: restored; in a check only its length is known."""
    report: dict[str, Any]
    """The restoration steps with measurements before and after; empty in a check."""

    def span(self, start: int, end: int) -> tuple[int, int]:
        """Return the position in the restored side of a section of the original, in samples."""
        if self.transfer.restoration.trim_silence and self.report:
            start, end = self._narrowed(start, end)
        if self.transfer.restoration.factor == 1:
            return start, end
        return tuple(self._moved(position) for position in (start, end))  # type: ignore[return-value]

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """Where the transfer comes from: names and values from the manifest."""
        transfer = self.transfer
        facts = (
            ("tape", transfer.tape),
            ("deck", transfer.deck),
            ("transferred", transfer.date),
            ("by", transfer.by),
        )
        return tuple((name, value) for name, value in facts if value)

    def _moved(self, position: int) -> int:
        moved = position / self.transfer.restoration.factor
        return min(self.recording.frames, int(moved + Fraction(1, 2)))

    def _narrowed(self, start: int, end: int) -> tuple[int, int]:
        from assembler.restoration.restoration_report import programme_from_json
        from assembler.restoration.split.split import trimmed

        reading = programme_from_json(self.report["programme"])
        rate_hz = self.original.rate_hz
        first_s, last_s = trimmed(reading, start / rate_hz, end / rate_hz)
        return max(start, round(first_s * rate_hz)), min(end, round(last_s * rate_hz))


def side_of(
    source: ManifestFile,
    name: str,
    original: Recording,
    scratch: Path | None,
    cache: CacheFolder | None,
) -> Side:
    """Return a side, restored if there is a folder and a cache for it.

    Parameters
    ----------
    source
        The manifest.
    name
        Of the side.
    original
        Its recording.
    scratch
        Folder to restore it in; without it only the length is computed.
    cache
        Keeps the restored side.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    transfer = source.manifest.transfers[name]
    if scratch is None or cache is None:
        if transfer.is_unchanged:
            return Side(name, transfer, original, original, {})
        frames = int(original.frames / transfer.restoration.factor + Fraction(1, 2))
        files = tuple(replace(file, frames=frames, needs_ffmpeg=True) for file in original.files)
        return Side(name, transfer, original, Recording(files, original.source_files), {})
    if transfer.is_unchanged:
        return Side(name, transfer, original, original, _unrestored_report(original, cache))
    return _restored_side(name, transfer, original, scratch, cache)


def _unrestored_report(original: Recording, cache: CacheFolder) -> dict[str, Any]:
    from assembler.restoration.side_file import dropouts_of, unrestored_report

    def make() -> dict[str, Any]:
        known = _known_condition(original, cache)
        return unrestored_report(known.dropouts if known else dropouts_of(original))

    key = cache_key("side as it is", METHOD, original.sha256s, original.rate_hz)
    report: dict[str, Any] = cache.json(key, make)
    return report


def condition_key(original: Recording) -> str:
    """Return the cache key of a side's condition: of its sound alone, whatever is asked for."""
    return cache_key("condition of a side", METHOD, original.sha256s, original.rate_hz)


def _known_condition(original: Recording, cache: CacheFolder) -> Condition | None:
    from assembler.restoration.condition import Condition

    known = cache.known(condition_key(original))
    return Condition.from_json(known) if known else None


def _condition(original: Recording, transfer: Transfer, cache: CacheFolder) -> Condition:
    """Return a side's condition; it is measured once, and again if more of it is asked for."""
    from assembler.restoration.condition import condition_of

    known = _known_condition(original, cache)
    if known and known.covers(transfer.restoration):
        return known
    found = condition_of(original, transfer.restoration)
    cache.put_json(condition_key(original), found.as_json())
    return found


def side_findings(source: ManifestFile, sides: Mapping[str, Side]) -> Iterator[Finding]:
    """Find restoration settings that can't be carried out, and sides without tracks.

    Parameters
    ----------
    source
        The manifest.
    sides
        Sides with tracks, by name.
    """
    for name, transfer in source.manifest.transfers.items():
        loc = ("transfers", name)
        if name not in {track.side for track in source.manifest.tracks}:
            message = "no track is on this side: it is not checked"
            yield source.finding("note", "unused-side", loc, message)
        if name not in sides:
            continue
        side, noise = sides[name], transfer.restoration.noise
        yield from band_findings(
            source, loc, transfer, side.original.rate_hz / transfer.restoration.factor
        )
        if transfer.played and not transfer.playback:
            message = "`played` and `recorded` have the same time constants: nothing is corrected"
            yield source.finding("note", "same-playback", (*loc, "played"), message)
        whole_s = Fraction(side.original.frames, side.original.rate_hz)
        if noise and noise.to > whole_s:
            message = (
                f"the noise print ends at {clock_text(noise.to)}, but the side ends at "
                f"{clock_text(whole_s)}: choose a passage with noise alone"
            )
            yield source.finding("error", "noise-past-end", (*loc, "restoration", "noise"), message)
        for step, reason in side.report.get("reasons", {}).items():
            remedy = _UNRESOLVED.get(step, "Set a value by ear, or remove")
            message = (
                f"side {name}: {step} not determined, so it was left unchanged: {reason}. {remedy} "
                f"`{step}`"
            )
            yield source.finding(
                "warning", "restoration-unresolved", (*loc, "restoration", step), message
            )


def band_findings(
    source: ManifestFile, loc: Loc, section: Equalised, rate_hz: Fraction | int
) -> Iterator[Finding]:
    """Find EQ bands that are not below half of the recording's rate."""
    for number, band in enumerate(section.equaliser):
        if band.hz >= rate_hz / 2:
            message = (
                f"{band.hz:g} Hz is not below half of the recording's rate ({round(rate_hz)} Hz): "
                "remove this band"
            )
            place = (*loc, "equaliser", number, "hz")
            yield source.finding("error", "band-too-high", place, message)


def _restored_side(
    name: str, transfer: Transfer, original: Recording, scratch: Path, cache: CacheFolder
) -> Side:
    asked = transfer.restoration, *([transfer.tone] if transfer.tone else ())
    key = cache_key("restored side", METHOD, original.sha256s, original.rate_hz, *asked)
    sound_key = cache_key("sound of", key)

    def restore_to(path: Path) -> dict[str, Any]:
        from assembler.restoration.side_file import restore_side

        return restore_side(original, transfer, _condition(original, transfer, cache), path)

    def make(path: Path) -> None:
        report = restore_to(path)
        cache.json(key, lambda: report)

    info = probe(cache.file(sound_key, make))
    report: dict[str, Any] = cache.json(key, lambda: restore_to(scratch / f"side-{key[:16]}"))
    recording = Recording((info,), originals=original.source_files, key=sound_key)
    return Side(name, transfer, original, recording, report)
