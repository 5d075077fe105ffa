"""Print text and JSON without control characters; see `rich_console` for tables.

A file name, a tag or an approval may hold escape sequences that move the cursor, change the
terminal's title or hide text. They are removed here from everything printed. Control characters:
ECMA-48 and The Unicode Standard, chapter 23; bidirectional controls: Unicode Standard Annex 9
(from memory).
"""

from __future__ import annotations

import json
import re
import sys
from typing import Any

_CONTROLS = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029\u202a-\u202e\u2066-\u2069]")


def printable(text: str) -> str:
    """Return a text without control characters; a tab becomes a space, line ends stay."""
    return _CONTROLS.sub(lambda match: " " if match[0] == "\t" else "", text)


def say(text: object, *, stderr: bool = False) -> None:
    """Print a line, or several, without control characters."""
    print(printable(str(text)), file=sys.stderr if stderr else sys.stdout, flush=stderr)


def say_json(content: Any, indent: int | None = 2) -> None:
    """Print a JSON document, control characters escaped; on one line without an indent."""
    utf_8 = (sys.stdout.encoding or "").lower().replace("-", "") == "utf8"
    text = json.dumps(content, indent=indent, ensure_ascii=not utf_8)
    print(_CONTROLS.sub(lambda match: f"\\u{ord(match[0]):04x}", text))
