"""Read a cue sheet back: file, tracks, index points, texts and remarks."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from assembler.errors import AssemblerError
from assembler.manifest.disc_alphabet import ENCODING
from assembler.manifest.times import parse_frames

_TOKENS = re.compile(r'"([^"]*)"|(\S+)')


@dataclass
class CueTrackRead:
    """One track of a cue sheet: its texts by command, its indexes in frames."""

    number: int
    kind: str
    texts: dict[str, str] = field(default_factory=dict)
    indexes: dict[int, int] = field(default_factory=dict)


@dataclass
class CueRead:
    """The content of a cue sheet."""

    texts: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    file: str = ""
    file_kind: str = ""
    tracks: list[CueTrackRead] = field(default_factory=list)


def read_cue(content: bytes, name: str) -> CueRead:
    """Read the content of a cue sheet.

    Parameters
    ----------
    content
        Content of the file, ISO 8859-1.
    name
        Name of the file, for messages.

    Raises
    ------
    AssemblerError
        A line is not a cue sheet command.
    """
    sheet = CueRead()
    for number, line in enumerate(content.decode(ENCODING).splitlines(), 1):
        tokens = [quoted or plain for quoted, plain in _TOKENS.findall(line)]
        if not tokens:
            continue
        try:
            _read_command(sheet, tokens)
        except (ValueError, IndexError) as error:
            raise AssemblerError(
                f"{name}:{number}: this is not a cue sheet command: build the release again"
            ) from error
    return sheet


def _read_command(sheet: CueRead, tokens: list[str]) -> None:
    command, first = tokens[0], tokens[1]
    if command == "REM":
        sheet.remarks.append(" ".join(tokens[1:]))
    elif command == "FILE":
        sheet.file, sheet.file_kind = first, tokens[2]
    elif command == "TRACK":
        sheet.tracks.append(CueTrackRead(int(first), tokens[2]))
    elif command == "INDEX":
        sheet.tracks[-1].indexes[int(first)] = parse_frames(tokens[2])
    else:
        texts = sheet.tracks[-1].texts if sheet.tracks else sheet.texts
        texts[command] = " ".join(tokens[1:])
