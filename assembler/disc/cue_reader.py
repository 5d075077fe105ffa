"""Read a cue sheet back: file, tracks, index points, words and remarks."""

from __future__ import annotations

import re
from dataclasses import dataclass, field

from assembler.errors import AssemblerError
from assembler.manifest.disc_alphabet import ENCODING
from assembler.manifest.times import parse_frames

_WORDS = re.compile(r'"([^"]*)"|(\S+)')


@dataclass
class CueTrackRead:
    """One track of a cue sheet that was read: its texts by command, its indexes in frames."""

    number: int
    kind: str
    texts: dict[str, str] = field(default_factory=dict)
    indexes: dict[int, int] = field(default_factory=dict)


@dataclass
class CueRead:
    """A cue sheet that was read."""

    texts: dict[str, str] = field(default_factory=dict)
    remarks: list[str] = field(default_factory=list)
    file: str = ""
    file_kind: str = ""
    tracks: list[CueTrackRead] = field(default_factory=list)


def read_cue(content: bytes, name: str) -> CueRead:
    """Read a cue sheet's contents.

    Parameters
    ----------
    content
        Of the file, ISO 8859-1.
    name
        Of the file, for messages.

    Raises
    ------
    AssemblerError
        A line is not as a cue sheet's.
    """
    sheet = CueRead()
    for number, line in enumerate(content.decode(ENCODING).splitlines(), 1):
        words = [quoted or plain for quoted, plain in _WORDS.findall(line)]
        if not words:
            continue
        try:
            _take(sheet, words)
        except (ValueError, IndexError) as error:
            raise AssemblerError(
                f"{name}:{number}: is no line of a cue sheet: build the release again"
            ) from error
    return sheet


def _take(sheet: CueRead, words: list[str]) -> None:
    command, first = words[0], words[1]
    if command == "REM":
        sheet.remarks.append(" ".join(words[1:]))
    elif command == "FILE":
        sheet.file, sheet.file_kind = first, words[2]
    elif command == "TRACK":
        sheet.tracks.append(CueTrackRead(int(first), words[2]))
    elif command == "INDEX":
        sheet.tracks[-1].indexes[int(first)] = parse_frames(words[2])
    else:
        texts = sheet.tracks[-1].texts if sheet.tracks else sheet.texts
        texts[command] = " ".join(words[1:])
