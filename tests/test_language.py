"""Texts for users have no word that the project has given up for a trade term or plain English.

All string literals but docstrings are read, and all templates: messages, help, tables and pages.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "assembler"
ROOMS = sorted(path.name for path in PACKAGE.iterdir() if (path / "__init__.py").exists())
RETIRED = {
    r"tells?|told(?! apart)": "report, state",
    r"gives": "has, returns",
    r"anew": "again",
    r"otherwise": "else, or two sentences",
    r"allot(s|ted)?": "assigned",
    r"(?<!there )(is|are) no(?! longer)": "is not, are not",
    r"mend(s|ed|ing)?": "repair, restore",
    r"partials": "harmonics",
    r"crests?": "peak",
    r"heeds?": "check",
    r"spelt": "encoded, written",
    r"turned over": "inverted polarity",
    r"(empty|isrc|barcode) slot": "ISRC: none assigned",
    r"opening pause": "track 1 pause",
    r"image time": "program time",
    r"sum of pauses": "total pauses",
    r"date made": "master date",
    r"disc face": "disc label",
    r"lies beside|stands beside": "is in the same folder",
    r"at the most|are the most": "at most",
    r"sureness|unsure": "confidence",
    r"lateness": "interchannel delay",
    r"offset taken off|off 0": "DC offset",
    r"short losses of level": "dropouts",
    r"learnt from": "noise print",
    r"sound up to": "bandwidth",
    r"identical to the sample|and nothing else": "nulls, only the level changed",
    r"coded anew|made lower": "re-encoded at lower level",
    r"store of finished work": "cache",
    r"what the signs mean": "symbols",
    r"can be built": "ready to build",
    r"recorded \d{4}-\d\d": "a date in words",
    r"of its own accord|as it came in|in so many words": "plain words",
}


def texts_of(path: Path) -> Iterator[tuple[int, str]]:
    """Yield line and text of each string literal that is not a docstring."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in bare:
            yield node.lineno, node.value


def lines_of(path: Path) -> Iterator[tuple[int, str]]:
    """Yield the lines of a template without its code."""
    text = path.read_text(encoding="utf-8")
    for number, line in enumerate(text.splitlines(), 1):
        yield number, re.sub(r"\{[{%#].*?[}%#]\}|<[^>]*>", " ", line)


def retired_in(paths: Iterable[Path]) -> list[str]:
    """Return the places of retired words in some files, each with the word and what to write."""
    places = []
    for path in sorted(paths):
        for line, text in lines_of(path) if path.suffix == ".html" else texts_of(path):
            for words, better in RETIRED.items():
                if " " in text and (match := re.search(rf"\b({words})\b", text, re.IGNORECASE)):
                    place = f"{path.parent.name}/{path.name}:{line}"
                    places.append(f"{place}: `{match[0]}`, write {better}: {text.strip()!r}")
    return places


@pytest.mark.parametrize("room", ROOMS)
def test_no_text_of_a_room_has_a_retired_word(room: str) -> None:
    files = (path for path in (PACKAGE / room).rglob("*") if path.suffix in (".py", ".html"))
    assert retired_in(files) == []


def test_no_text_of_the_root_modules_has_a_retired_word() -> None:
    assert retired_in(PACKAGE.glob("*.py")) == []


@pytest.mark.parametrize("folder", ["assembler", "tests", "demo_release"])
def test_docstrings_open_with_what_happens(folder: str) -> None:
    """Return, Measure, Write, Check … and not "Give", "Tell", "Say" or "See that"."""
    places = []
    for path in sorted((PACKAGE.parent / folder).rglob("*.py")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if re.match(r'\s*"""(Gives?|Tells?|Says?|See that) ', line):
                places.append(f"{path.name}:{number}: {line.strip()}")
    assert places == []


def test_messages_and_templates_are_read_without_docstrings_and_code(tmp_path: Path) -> None:
    module, page = tmp_path / "a.py", tmp_path / "b.html"
    module.write_text('"""A docstring that tells."""\nX = f"track {1} is no song"\n')
    page.write_text('<p class="it tells">{{ told }} the page tells</p>\n')
    found = retired_in([module, page])
    assert [place.split(", ")[0].split(": ") for place in found] == [
        [f"{tmp_path.name}/a.py:2", "`is no`"],
        [f"{tmp_path.name}/b.html:1", "`tells`"],
    ]
