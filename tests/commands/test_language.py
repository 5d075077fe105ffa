"""Texts that people read use the words of the trade: none of the phrases that were given up.

Read here: the help of every command, every string literal with a blank in it (findings, errors,
tables, reports, sheets), the proof page, the descriptions of manifest keys, and the README.
"""

from __future__ import annotations

import argparse
import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

import assembler
from assembler.commands.main import command_parser
from assembler.manifest.schema import manifest_schema

PACKAGE = Path(assembler.__file__).parent
RETIRED = {
    r"finished words|words of \d+ bits|\d+-bit words|words' length": "PCM, samples, word length",
    r"as it came|came in\b": "source",
    r"identical to the sample|nothing else\b": "nulls, only the level changed",
    r"left over": "residual",
    r"coded anew|coded otherwise|made lower|\banew\b": "re-encoded, made again",
    r"\bcrests?\b(?! factor)": "peak",
    r"\blet(s|ting)? go\b": "release",
    r"heard least": "noise-shaped dither",
    r"sound up to": "bandwidth",
    r"what is wrong with it": "faults",
    r"\bmend(s|ed|ing|s)?\b": "restore, repair, remove",
    r"\boff 0\b": "DC offset",
    r"against each other|turned over|\balike\b": "opposite polarity, the same",
    r"\blate(ness)\b": "interchannel delay",
    r"\bpartials?\b": "harmonics",
    r"\blearnt\b": "noise print",
    r"losses of level": "dropouts",
    r"\b(un)?sureness\b|\bunsure\b": "confidence",
    r"can't be told|can not be told": "not determined",
    r"image time": "program time, absolute time",
    r"opening pause": "track 1 pause",
    r"sum of pauses": "total pauses",
    r"date made": "master date",
    r"empty slot|slot of track|slot empty|ISRC slot": "none assigned",
    r"\ballot(s|ted)?\b": "assigned",
    r"(disc|sheet) can't hold": "can't encode",
    r"can be built\b|can't be built": "ready to build, cannot be built",
    r"finished work\b": "cache",
    r"is another\b": "differs",
    r"disc faces?\b": "disc label",
    r"signs mean": "symbols",
    r"(?-i:\bPlayers\b)": "performers",
    r"\b(told|tells|heeds?)\b": "plain verbs: says, lists, reports",
    r"(?<!there )(?<!there's )\bis no (?!longer|more)": "is not a",
    r"\bspelt\b|spells it otherwise": "written, CD-Text override",
    r"\bat the most\b|\bare the most\b": "at most",
    r"\botherwise\b": "else, or two sentences",
    r"what was asked|(lies?|stands?) beside|as the grid falls|in so many words": "plain English",
    r"\d [a-z]+ a (side|track|minute|format)\b|a line a\b": "per",
}
"""Phrases of the glossary's right-hand column, and what to write in their place."""
_PATTERNS = {re.compile(pattern, re.IGNORECASE): word for pattern, word in RETIRED.items()}


def retired_phrases(text: str) -> list[str]:
    """Return the retired phrases in a text, each with its replacement."""
    plain = text.replace("’", "'")
    return [
        f"`{found[0]}` (write: {word})"
        for pattern, word in _PATTERNS.items()
        if (found := pattern.search(plain))
    ]


def literals(tree: ast.Module) -> Iterator[tuple[int, str]]:
    """Yield line and text of each string literal of a module that reads like prose."""
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        if id(node) in bare:
            continue  # a docstring, or a text behind an attribute
        if isinstance(node, ast.JoinedStr):
            parts = (part.value for part in node.values if isinstance(part, ast.Constant))
            yield node.lineno, "…".join(map(str, parts))
        elif isinstance(node, ast.Constant) and isinstance(node.value, str) and " " in node.value:
            yield node.lineno, node.value


MODULES = sorted(PACKAGE.rglob("*.py"))


@pytest.mark.parametrize("path", MODULES, ids=lambda path: path.relative_to(PACKAGE).as_posix())
def test_string_literals_and_docstrings(path: Path) -> None:
    """Docstrings open with Return, Measure, Write, Check; not Give, Tell or See that."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = [(line, text, retired_phrases(text)) for line, text in literals(tree)]
    assert [one for one in found if one[2]] == []
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef, ast.Module)
    nodes = [node for node in ast.walk(tree) if isinstance(node, kinds)]
    texts = [ast.get_docstring(node) or "" for node in nodes]
    assert [text for text in texts if re.match(r"(Give|Tell|See that)\b", text)] == []


def helps(parser: argparse.ArgumentParser) -> Iterator[str]:
    """Yield the help of a parser and of each of its commands."""
    yield " ".join(parser.format_help().split())
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for command in action.choices.values():
                yield from helps(command)


def test_help_of_every_command() -> None:
    texts = list(helps(command_parser()))
    assert len(texts) > 10
    assert [(text, found) for text in texts if (found := retired_phrases(text))] == []


def test_descriptions_of_manifest_keys() -> None:
    texts = re.findall(r'"description": ("(?:[^"\\]|\\.)*")', json.dumps(manifest_schema()))
    assert len(texts) > 80
    assert [(text, found) for text in texts if (found := retired_phrases(text))] == []


@pytest.mark.parametrize("name", ["index.html", "parts.html", "form.js", "picture.js", "player.js"])
def test_proof_page(name: str) -> None:
    text = (PACKAGE / "proof" / "page" / name).read_text(encoding="utf-8")
    assert retired_phrases(" ".join(text.split())) == []


def test_readme() -> None:
    path = PACKAGE.parent / "README.md"
    if not path.exists():
        pytest.skip("the README is not installed with the package")
    assert retired_phrases(" ".join(path.read_text(encoding="utf-8").split())) == []


@pytest.mark.parametrize("folder", ["assembler", "tests", "demo_release"])
def test_docstrings_open_with_what_happens(folder: str) -> None:
    """Return, Measure, Write, Check … and not "Give", "Tell", "Say" or "See that"."""
    places = []
    for path in sorted((Path(__file__).parents[2] / folder).rglob("*.py")):
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), 1):
            if re.match(r'\s*"""(Gives?|Tells?|Says?|See that) ', line):
                places.append(f"{path.name}:{number}: {line.strip()}")
    assert places == []


def test_a_retired_phrase_is_found() -> None:
    assert retired_phrases("the opening pause is 2 s") == ["`opening pause` (write: track 1 pause)"]
    assert retired_phrases("track 5 has no ISRC: ask the rights owner for it") == []
