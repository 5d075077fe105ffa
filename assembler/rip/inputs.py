"""The files of a rip, in the order of the disc, and its cue sheet if there is one."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from assembler.audio.probe import path_text
from assembler.disc.cue_reader import CueRead, read_cue
from assembler.errors import AssemblerError
from assembler.rip.samples import RAW_SUFFIXES
from assembler.text_files import OutsideFile

_CUE = ".cue"
_SUFFIXES = (".wav", ".flac", *RAW_SUFFIXES)
_MOST_CUE_BYTES = 1_000_000


@dataclass(frozen=True)
class RipFiles:
    """What the user named.

    Attributes
    ----------
    paths
        Files with sound, in order: as the cue sheet lists them, else by name, 2 before 10.
    cue
        The rip's cue sheet.
    cue_name
        Its path, for messages.
    """

    paths: tuple[Path, ...]
    cue: CueRead | None = None
    cue_name: str = ""


def rip_files(named: Sequence[Path]) -> RipFiles:
    """Find the files of a rip.

    Parameters
    ----------
    named
        Files, folders of files, and at most one cue sheet.

    Raises
    ------
    AssemblerError
        There is no sound, there are two cue sheets, or the cue sheet names other files.
    """
    found = [path for one in named for path in _inside(one)]
    cues = [path for path in found if path.suffix.lower() == _CUE]
    sound = sorted((path for path in found if path not in cues), key=_by_number)
    if len(cues) > 1:
        raise AssemblerError(f"{path_text(cues[1])}: is a second cue sheet: name one only")
    if cues:
        return _with_cue(cues[0], sound)
    if not sound:
        places = ", ".join(path_text(path) for path in named)
        raise AssemblerError(f"{places}: has no WAV, FLAC or BIN file: name the files of the rip")
    return RipFiles(tuple(sound))


def _inside(path: Path) -> list[Path]:
    if not path.is_dir():
        return [path]
    return [file for file in path.iterdir() if file.suffix.lower() in (*_SUFFIXES, _CUE)]


def _by_number(path: Path) -> list[tuple[int, str]]:
    """Return a sort key by which track 2 comes before track 10."""
    parts = re.findall(r"\d+|\D+", path.name.lower())
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in parts]


def _with_cue(path: Path, sound: Sequence[Path]) -> RipFiles:
    name = path_text(path)
    text, _ = OutsideFile(path, "cue sheet", _MOST_CUE_BYTES).read_any_text()
    cue = read_cue(text, name, "export the cue sheet of the rip again")
    if not cue.files or not cue.tracks:
        raise AssemblerError(f"{name}: names no file or no track: export it again")
    names = [re.split(r"[/\\]", file)[-1] for file, _ in cue.files]
    given = sound or [path.with_name(file) for file in names]
    by_stem = {file.stem.lower(): file for file in given}
    stems = [Path(file).stem.lower() for file in names]
    if len(given) != len(names):
        raise AssemblerError(
            f"{name}: names {len(names)} files, {len(given)} were found: name the files that this "
            "cue sheet belongs to"
        )
    in_order = [by_stem[stem] for stem in stems] if set(stems) == set(by_stem) else given
    return RipFiles(tuple(in_order), cue, name)
