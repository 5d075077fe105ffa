"""The sides that a command names: files, left and right as a pair, or those of a manifest."""

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
    """A side to look at.

    Attributes
    ----------
    name
        As the manifest has it, else that of its file or pair.
    files
        One file, or left and right.
    recording
        Its sound.
    restoration
        What the manifest asks to be restored in it.
    is_in_manifest
        A manifest names it.
    """

    name: str
    files: tuple[Path, ...]
    recording: Recording
    restoration: Restoration
    is_in_manifest: bool = False

    def restored(self) -> Iterator[Samples]:
        """Return its sound with clicks and noise removed as the manifest asks, to find songs by.

        Raises
        ------
        SourceError
            The side can't be read.
        """
        from assembler.restoration.chain import in_place, resolve_for_split

        recording, asked = self.recording, self.restoration
        return in_place(recording, resolve_for_split(asked, recording.rate_hz), 0, recording.frames)


def named_sides(given: Sequence[str], scratch: Path) -> list[NamedSide]:
    """Open the sides that a command names.

    Parameters
    ----------
    given
        Audio files, of which left and right of one name are one side; or a manifest, alone or with
        the names of some of its sides after it.
    scratch
        Folder for decoded copies.

    Raises
    ------
    AssemblerError
        A side is not there, or can't be read; the manifest names none.
    """
    is_manifest = Path(given[0]).suffix.lower() in (".yaml", ".yml")
    if is_manifest:
        found = _in_manifest(Path(given[0]), given[1:])
    else:
        files = paired([Path(name) for name in given])
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
        raise AssemblerError(f"{path}: names no side: write `transfers:`, or name audio files")
    if unknown := [name for name in names if name not in sides]:
        raise AssemblerError(
            f"{path}: has no side `{unknown[0]}`: its sides are {', '.join(sides)}"
        )
    return [
        (name, tuple(source.resolve(file) for file in sides[name].paths), sides[name].restoration)
        for name in names or sides
    ]
