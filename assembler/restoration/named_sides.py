"""Open the sides that a command names: files, pairs of left and right, or those of a manifest."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from assembler.audio import Recording, open_recording
from assembler.audio.channel_pairs import common_stem, paired
from assembler.dsp.blocks import Samples
from assembler.errors import AssemblerError
from assembler.manifest import load
from assembler.manifest.transfers import Restoration


@dataclass(frozen=True)
class NamedSide:
    """A side to survey or split."""

    name: str
    """From the manifest, else that of its file or pair."""
    files: tuple[Path, ...]
    """One file, or left and right."""
    recording: Recording
    restoration: Restoration
    """The steps that the manifest requests."""
    is_in_manifest: bool = False
    """Whether a manifest names it."""

    def restored(self) -> Iterator[Samples]:
        """Return its samples with the clicks and the noise removed as the manifest requests.

        Raises
        ------
        SourceError
            The side can't be read.
        """
        from assembler.restoration.chain import resolve_for_split, restored_passage

        resolved = resolve_for_split(self.restoration, self.recording.rate_hz)
        return restored_passage(self.recording, resolved, 0, self.recording.frames)


def named_sides(arguments: Sequence[str], scratch: Path) -> list[NamedSide]:
    """Open the sides that a command names.

    Parameters
    ----------
    arguments
        Audio files, where left and right of one name are one side; or a manifest, alone or followed
        by the names of some of its sides.
    scratch
        Folder for decoded copies.

    Raises
    ------
    AssemblerError
        A side is missing or can't be read, or the manifest has none.
    """
    is_manifest = Path(arguments[0]).suffix.lower() in (".yaml", ".yml")
    if is_manifest:
        found = _in_manifest(Path(arguments[0]), arguments[1:])
    else:
        files = paired([Path(name) for name in arguments])
        found = [(common_stem(pair), pair, Restoration()) for pair in files]
    return [
        NamedSide(name, files, open_recording(files, scratch), restoration, is_manifest)
        for name, files, restoration in found
    ]


def _in_manifest(
    path: Path, names: Sequence[str]
) -> list[tuple[str, tuple[Path, ...], Restoration]]:
    source = load(path)
    sides = source.manifest.transfers
    if not sides:
        raise AssemblerError(
            f"{path}: no tape side in this manifest: add `transfers:`, or name audio files"
        )
    if unknown := [name for name in names if name not in sides]:
        raise AssemblerError(f"{path}: no side `{unknown[0]}`: its sides are {', '.join(sides)}")
    return [
        (name, tuple(source.resolve(file) for file in sides[name].paths), sides[name].restoration)
        for name in names or sides
    ]
