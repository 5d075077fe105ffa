"""The sides of a release: tracks on them, and their mending, done once and kept in the store."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from assembler.audio import Recording
from assembler.audio.probe import probe
from assembler.cache.store import CacheFolder, cache_key
from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.transfers import Restoration, Transfer
from assembler.text import clock_text

METHOD = 2
"""Of mending and of its readings: raise it when the same asking would give other sound."""


@dataclass(frozen=True)
class Side:
    """A side that tracks are on.

    Attributes
    ----------
    name
        As the manifest names it.
    transfer
        What the manifest says of it.
    original
        As it came in.
    recording
        As tracks are read from it: mended; in a check, the promise of it.
    account
        What was done to it, with what was measured before and after; empty in a check.
    """

    name: str
    transfer: Transfer
    original: Recording
    recording: Recording
    account: dict[str, Any]

    def span(self, start: int, end: int) -> tuple[int, int]:
        """Give where a stretch of the original lies in the mended side, in samples.

        Parameters
        ----------
        start, end
            Of the original.
        """
        if self.transfer.restoration.trim_silence and self.account:
            start, end = self._narrowed(start, end)
        if self.transfer.restoration.factor == 1:
            return start, end
        return tuple(self._moved(position) for position in (start, end))  # type: ignore[return-value]

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """What the manifest says of where it came from: names and values."""
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

        reading = programme_from_json(self.account["programme"])
        rate_hz = self.original.rate_hz
        first_s, last_s = trimmed(reading, start / rate_hz, end / rate_hz)
        return max(start, round(first_s * rate_hz)), min(end, round(last_s * rate_hz))


def side_of(
    source: ManifestFile,
    name: str,
    original: Recording,
    scratch: Path | None,
    store: CacheFolder | None,
) -> Side:
    """Give a side as tracks are read from it.

    Parameters
    ----------
    source
        The manifest.
    name
        Of the side.
    original
        Its recording.
    scratch
        Folder to restore it in; without it the side is only promised.
    store
        Keeps the mended side.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    transfer = source.manifest.transfers[name]
    restoration = transfer.restoration
    if scratch is None or store is None:
        if restoration == Restoration():
            return Side(name, transfer, original, original, {})
        frames = int(original.frames / restoration.factor + Fraction(1, 2))
        promised = tuple(replace(file, frames=frames, needs_ffmpeg=True) for file in original.files)
        return Side(name, transfer, original, Recording(promised, original.source_files), {})
    if restoration == Restoration():
        return Side(name, transfer, original, original, _account_as_it_is(original, store))
    return _mended_side(name, transfer, original, scratch, store)


def _account_as_it_is(original: Recording, store: CacheFolder) -> dict[str, Any]:
    from assembler.restoration.side_file import unrestored_report

    key = cache_key("side as it is", METHOD, original.sha256s, original.rate_hz)
    account: dict[str, Any] = store.json(key, lambda: unrestored_report(original))
    return account


def side_findings(source: ManifestFile, sides: Mapping[str, Side]) -> Iterator[Finding]:
    """Find what can't be mended as it is asked, and sides that no track is on.

    Parameters
    ----------
    source
        The manifest.
    sides
        Those that tracks are on, by name.
    """
    for name, transfer in source.manifest.transfers.items():
        loc = ("transfers", name)
        if name not in {track.side for track in source.manifest.tracks}:
            message = "no track is on this side: it is not looked at"
            yield source.finding("note", "unused-side", loc, message)
        if name not in sides:
            continue
        side, noise = sides[name], transfer.restoration.noise
        whole_s = Fraction(side.original.frames, side.original.rate_hz)
        if noise and noise.to > whole_s:
            message = (
                f"the noise is to be learnt up to {clock_text(noise.to)}, but the side ends at "
                f"{clock_text(whole_s)}: name a stretch of noise alone"
            )
            yield source.finding("error", "noise-past-end", (*loc, "restoration", "noise"), message)
        for step, reason in side.account.get("reasons", {}).items():
            message = (
                f"side {name}: {step} not determined, nothing was done: {reason}. Set a value by "
                f"ear, or take `{step}` out"
            )
            yield source.finding(
                "warning", "restoration-unresolved", (*loc, "restoration", step), message
            )


def _mended_side(
    name: str, transfer: Transfer, original: Recording, scratch: Path, store: CacheFolder
) -> Side:
    key = cache_key("mended side", METHOD, original.sha256s, original.rate_hz, transfer.restoration)
    sound_key = cache_key("sound of", key)

    def mend_into(path: Path) -> dict[str, Any]:
        from assembler.restoration.side_file import restore_side

        return restore_side(original, transfer.restoration, path)

    def make(path: Path) -> None:
        account = mend_into(path)
        store.json(key, lambda: account)

    info = probe(store.file(sound_key, make))
    account: dict[str, Any] = store.json(key, lambda: mend_into(scratch / f"side-{key[:16]}"))
    recording = Recording((info,), originals=original.source_files, key=sound_key)
    return Side(name, transfer, original, recording, account)
