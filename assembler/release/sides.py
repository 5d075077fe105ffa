"""The sides of a release: tracks on them, and their mending, done once and kept in the store."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path
from typing import Any

from assembler.findings import Finding
from assembler.manifest import ManifestFile
from assembler.manifest.times import clock_text
from assembler.manifest.transfers import Mend, Transfer
from assembler.release.store import Store, work_key
from assembler.sources import Recording
from assembler.sources.probe import probe

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
        if self.transfer.mend.trim_silence and self.account:
            start, end = self._narrowed(start, end)
        if self.transfer.mend.factor == 1:
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
        moved = position / self.transfer.mend.factor
        return min(self.recording.frames, int(moved + Fraction(1, 2)))

    def _narrowed(self, start: int, end: int) -> tuple[int, int]:
        from assembler.transfers.account import programme_of
        from assembler.transfers.split import narrowed

        reading = programme_of(self.account["programme"])
        rate_hz = self.original.rate_hz
        first_s, last_s = narrowed(reading, start / rate_hz, end / rate_hz)
        return max(start, round(first_s * rate_hz)), min(end, round(last_s * rate_hz))


def side_of(
    source: ManifestFile, name: str, original: Recording, scratch: Path | None, store: Store | None
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
        Folder to mend it in; without it the side is only promised.
    store
        Keeps the mended side.

    Raises
    ------
    SourceError
        The side can't be read to its end.
    """
    transfer = source.manifest.transfers[name]
    mend = transfer.mend
    if scratch is None or store is None:
        if mend == Mend():
            return Side(name, transfer, original, original, {})
        frames = int(original.frames / mend.factor + Fraction(1, 2))
        promised = tuple(replace(file, frames=frames, needs_ffmpeg=True) for file in original.files)
        return Side(name, transfer, original, Recording(promised, original.came_in), {})
    if mend == Mend():
        return Side(name, transfer, original, original, _account_as_it_is(original, store))
    return _mended_side(name, transfer, original, scratch, store)


def _account_as_it_is(original: Recording, store: Store) -> dict[str, Any]:
    from assembler.transfers.side_file import account_as_it_is

    key = work_key("side as it is", METHOD, original.sha256s, original.rate_hz)
    account: dict[str, Any] = store.json(key, lambda: account_as_it_is(original))
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
        side, noise = sides[name], transfer.mend.noise
        whole_s = Fraction(side.original.frames, side.original.rate_hz)
        if noise and noise.to > whole_s:
            message = (
                f"the noise is to be learnt up to {clock_text(noise.to)}, but the side ends at "
                f"{clock_text(whole_s)}: name a stretch of noise alone"
            )
            yield source.finding("error", "noise-past-end", (*loc, "mend", "noise"), message)
        for step, reason in side.account.get("reasons", {}).items():
            message = (
                f"side {name}: {step} not determined, nothing was done: {reason}. Set a value by "
                f"ear, or take `{step}` out"
            )
            yield source.finding("warning", "mend-untold", (*loc, "mend", step), message)


def _mended_side(
    name: str, transfer: Transfer, original: Recording, scratch: Path, store: Store
) -> Side:
    key = work_key("mended side", METHOD, original.sha256s, original.rate_hz, transfer.mend)
    sound_key = work_key("sound of", key)

    def mend_into(path: Path) -> dict[str, Any]:
        from assembler.transfers.side_file import mend_side

        return mend_side(original, transfer.mend, path)

    def make(path: Path) -> None:
        account = mend_into(path)
        store.json(key, lambda: account)

    info = probe(store.file(sound_key, make))
    account: dict[str, Any] = store.json(key, lambda: mend_into(scratch / f"side-{key[:16]}"))
    recording = Recording((info,), originals=original.came_in, key=sound_key)
    return Side(name, transfer, original, recording, account)
