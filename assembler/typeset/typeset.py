"""Set a text in lines: letters shaped, lines filled, each line in printed order.

Bidirectional text follows Unicode Standard Annex 9: lines are filled in reading order, then
reordered. Line breaks follow the main rules of Annex 14.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator
from functools import cache, lru_cache
from typing import Any

from assembler.typeset.fonts import clusters, composed, is_carried, letter_of

_RIGHT_TO_LEFT = re.compile(
    "[\u0590-\u08ff\u200f\u202b\u202e\u2067\ufb1d-\ufdff\ufe70-\ufefc\U00010800-\U00010fff"
    "\U0001e800-\U0001efff]"
)
_ARABIC = re.compile("[\u0600-\u06ff\u0750-\u077f]")
_PROBE = "\u034f"
"""An invisible mark: set after a bracket, it comes out before it if the run was reversed."""
_NOT_AT_START = (
    "、。，．・：；！？）］｝」』】〉》〕ーぁぃぅぇぉっゃゅょァィゥェォッャュョ々…‥,.;:!?)]}»”’"
)
_NOT_AT_END = "（［｛「『【〈《〔([{«“‘"
_NO_BREAK_SPACES = "\u00a0\u2007\u202f"


def reads_right_to_left(text: str) -> bool:
    """Return whether the first letter with a direction is of a right-to-left script."""
    directions = (unicodedata.bidirectional(sign) for sign in text)
    return next((d in ("R", "AL") for d in directions if d in ("L", "R", "AL")), False)


def joined(text: str) -> str:
    """Return a text with composed accents and shaped Arabic letters."""
    text = composed(text)
    if not _ARABIC.search(text):
        return text
    shaped = str(_reshaper().reshape(text))
    return "".join(sign if is_carried(sign) else letter_of(sign) for sign in shaped)


@cache
def _reshaper() -> Any:
    from arabic_reshaper import ArabicReshaper

    options = {
        "delete_harakat": False,
        "use_unshaped_instead_of_isolated": True,
        "ARABIC LIGATURE ALLAH": False,
    }
    return ArabicReshaper(configuration=options)


def in_printed_order(line: str, *, right_to_left: bool) -> str:
    """Return a line in printed order, with brackets mirrored.

    Marks of Hebrew and Arabic then precede their letters, as the fonts need them.
    """
    if not _RIGHT_TO_LEFT.search(line):
        return line
    from bidi import get_display

    mirrored, bracket, probed = _brackets()
    marked = bracket.sub(rf"\g<0>{_PROBE}", line.replace(_PROBE, ""))
    shown = str(get_display(marked, base_dir="R" if right_to_left else "L"))
    return probed.sub(lambda match: match[1] or mirrored[match[2]], shown)


@cache
def _brackets() -> tuple[dict[str, str], re.Pattern[str], re.Pattern[str]]:
    """Return mirrored brackets, and the patterns of a bracket without and with its probe."""
    from bidi.mirror import MIRRORED

    sign = f"[{re.escape(''.join(MIRRORED))}]"
    return (
        MIRRORED,
        re.compile(sign),
        re.compile(f"({sign}){_PROBE}|{_PROBE}({sign})"),
    )


def filled_lines(text: str, room: float, measure: Callable[[str], float]) -> list[str]:
    """Break a text into lines no wider than a room.

    Parameters
    ----------
    text
        From `joined`, in reading order.
    measure
        Returns the width of a text, in the unit of `room`.

    Returns
    -------
    list of str
        At least one line, in reading order. A word wider than a line is broken.
    """
    lines: list[str] = []
    line, wide = "", 0.0
    for piece in _pieces(text, room, measure):
        if line and wide + measure(piece.rstrip()) > room:
            lines.append(line.rstrip())
            line, wide = "", 0.0
        line += piece
        wide += measure(piece)
    return [*lines, line.rstrip()]


def _pieces(text: str, room: float, measure: Callable[[str], float]) -> Iterator[str]:
    for piece in _breakable(text):
        if measure(piece.rstrip()) <= room:
            yield piece
        else:
            yield from clusters(piece)


def _breakable(text: str) -> Iterator[str]:
    start = 0
    for i in range(1, len(text)):
        if _may_break(text[i - 1], text[i]):
            yield text[start:i]
            start = i
    if text:
        yield text[start:]


@lru_cache(4096)
def _may_break(before: str, after: str) -> bool:
    if _is_space(after):
        return False
    if _is_space(before):
        return True
    if after in _NOT_AT_START or before in _NOT_AT_END:
        return False
    if unicodedata.category(after).startswith("M"):
        return False
    return before == "—" or _is_ideographic(before) or _is_ideographic(after)


def _is_space(sign: str) -> bool:
    return sign == "\u200b" or (sign.isspace() and sign not in _NO_BREAK_SPACES)


def _is_ideographic(sign: str) -> bool:
    """Return whether a line may break next to a character; Korean breaks at spaces."""
    return unicodedata.east_asian_width(sign) in "WF" and not "\uac00" <= sign <= "\ud7a3"
