"""Read a cue sheet back: file, tracks, index points, texts and remarks."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from assembler.errors import AssemblerError
from assembler.manifest.times import parse_frames

_TOKENS = re.compile(r'"([^"]*)"|(\S+)')


@dataclass
class CueTrackRead:
    """One track of a cue sheet: its texts by command, its indexes in frames.

    The frames of an index point count from the beginning of its file; `files` has the file's place
    in the list of the sheet's files, from 0.
    """

    number: int
    kind: str
    texts: dict[str, str] = field(default_factory=dict)
    indexes: dict[int, int] = field(default_factory=dict)
    files: dict[int, int] = field(default_factory=dict)


@dataclass
class CueRead:
    """The content of a cue sheet."""

    texts: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    files: list[tuple[str, str]] = field(default_factory=list)
    tracks: list[CueTrackRead] = field(default_factory=list)


def read_cue(text: str, name: str, remedy: str = "build the release again") -> CueRead:
    """Read the text of a cue sheet.

    Parameters
    ----------
    text
        Text of the file.
    name, remedy
        Name of the file and what to do about a line that can't be read, for messages.

    Raises
    ------
    AssemblerError
        A line is not a cue sheet command.
    """
    sheet = CueRead()
    for number, line in enumerate(text.splitlines(), 1):
        tokens = [quoted or plain for quoted, plain in _TOKENS.findall(line)]
        if not tokens:
            continue
        try:
            _read_command(sheet, tokens)
        except (ValueError, IndexError) as error:
            raise AssemblerError(
                f"{name}:{number}: this is not a cue sheet command: {remedy}"
            ) from error
    return sheet


def _read_command(sheet: CueRead, tokens: list[str]) -> None:
    command, first = tokens[0], tokens[1]
    if command == "REM":
        sheet.remarks.append(" ".join(tokens[1:]))
    elif command == "FILE":
        sheet.files.append((first, tokens[2]))
    elif command == "TRACK":
        sheet.tracks.append(CueTrackRead(int(first), tokens[2]))
    elif command == "INDEX":
        track = sheet.tracks[-1]
        track.indexes[int(first)] = parse_frames(tokens[2])
        track.files[int(first)] = len(sheet.files) - 1
    else:
        texts = sheet.tracks[-1].texts if sheet.tracks else sheet.texts
        texts[command] = " ".join(tokens[1:])
