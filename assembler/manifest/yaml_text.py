"""Read YAML text into plain mappings, lists and texts, with the line of every key and value.

YAML 1.2 derives a scalar's type from its form; here every scalar stays text, and the model decides.
Explicit tags and merge keys are refused, so no manifest can construct an object.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import yaml
import yaml.reader

from assembler.errors import FindingsError
from assembler.findings import Finding, Loc, where_text
from assembler.text import shorten
from assembler.text_files import OutsideFile

Tree = dict[str, "Tree"] | list["Tree"] | str | None

MOST_BYTES = 1_000_000
MOST_VALUES = 20_000
"""Values after aliases are resolved: a limit on what a small file can grow to."""
MOST_CHARACTERS = 2_000_000
"""Characters after aliases are resolved: one long text can be used many times."""
MOST_BREAKS = 30_000
"""Characters that separate values (commas, brackets, line ends): limits the reading time."""
MOST_DEPTH = 40
MOST_FINDINGS = 200
"""Findings of one file, so that a person can read them."""
_BREAKS = ",[{\n\r\x85\u2028\u2029"
"""YAML ends a line at more characters than the line feed."""


@dataclass
class Places:
    """The line of each key in the file.

    Attributes
    ----------
    file
        Path of the file as the user gave it.
    lines
        Line, from 1, of each place.
    """

    file: str
    lines: dict[Loc, int] = field(default_factory=dict)

    def line(self, loc: Loc) -> int:
        """Return the line of a place, or of the nearest place around it."""
        while loc and loc not in self.lines:
            loc = loc[:-1]
        return self.lines.get(loc, 1)


def read_text(path: Path) -> str:
    """Read the UTF-8 text of a manifest.

    Raises
    ------
    FindingsError
        The file is missing, not a regular file, too long, or not UTF-8.
    """
    file = OutsideFile(path, "manifest", MOST_BYTES)
    text = file.read_text()
    if sum(text.count(c) for c in _BREAKS) - text.count("\r\n") > MOST_BREAKS:
        raise file.refusal("too-long", f"more than {MOST_BREAKS} commas, brackets and lines")
    return text


def read_tree(text: str, path: Path) -> tuple[Tree, Places]:
    """Parse YAML text into plain data, every scalar as text.

    Raises
    ------
    FindingsError
        The text is not YAML, or uses more of YAML than a manifest needs.
    """
    places = Places(str(path))
    _refuse_controls(text, path)
    loader = yaml.BaseLoader(text)
    try:
        node = loader.get_single_node()
    except yaml.MarkedYAMLError as error:
        raise _error(path, *_syntax_message(error, text)) from error
    except RecursionError as error:
        raise _error(path, 0, "too-deep", f"nested deeper than {MOST_DEPTH} levels") from error
    except (yaml.YAMLError, ValueError, OverflowError) as error:
        line = loader.get_mark().line + 1
        message = "this is not YAML: a number or an escape is out of range; correct it"
        raise _error(path, line, "bad-yaml", message) from error
    if node is None:
        raise _error(path, 1, "empty-manifest", "the file is empty: begin with `release:`")
    reader = _Reader(path, places)
    tree = reader.value(node, ())
    if reader.findings:
        raise FindingsError(reader.findings)
    return tree, places


def _error(path: Path, line: int, code: str, message: str) -> FindingsError:
    return FindingsError([Finding("error", code, "", str(path), line, message)])


def _refuse_controls(text: str, path: Path) -> None:
    """Refuse characters that YAML does not allow, before its reader does so without a line."""
    match = yaml.reader.Reader.NON_PRINTABLE.search(text)
    if match:
        line = text[: match.start()].count("\n") + 1
        message = f"this line has the control character U+{ord(match[0]):04X}: remove it"
        raise _error(path, line, "control-character", message)


def _syntax_message(error: yaml.MarkedYAMLError, text: str) -> tuple[int, str, str]:
    mark = error.problem_mark or error.context_mark
    line = mark.line + 1 if mark else 0
    lines = text.splitlines()
    content = lines[line - 1] if 0 < line <= len(lines) else ""
    if "\t" in content[: len(content) - len(content.lstrip())]:
        return line, "tab-in-yaml", "this line is indented with a tab: use spaces in YAML"
    if "\t" in content and "cannot start any token" in (error.problem or ""):
        return line, "tab-in-yaml", "this line has a tab: use spaces in YAML"
    problem = shorten(error.problem or "can't be read", 120)
    if "undefined alias" in problem:
        return line, "bad-yaml", f"{problem}: define it with & before it is used"
    if "expected a single document" in (error.context or ""):
        return line, "bad-yaml", "a second document begins here (`---`): write one release per file"
    message = f"this is not YAML: {problem}; check the quotes, colons and indentation"
    return line, "bad-yaml", message


class _Reader:
    def __init__(self, path: Path, places: Places) -> None:
        self.path = path
        self.places = places
        self.findings: list[Finding] = []
        self.values_left = MOST_VALUES
        self.characters_left = MOST_CHARACTERS
        self.open_nodes: set[int] = set()

    def value(self, node: yaml.Node, loc: Loc) -> Tree:
        self.values_left -= 1
        line = node.start_mark.line + 1
        self.places.lines.setdefault(loc, line)
        if self.values_left < 0:
            message = f"more than {MOST_VALUES} values once aliases are resolved: use fewer aliases"
            raise _error(self.path, line, "too-many-aliases", message)
        if id(node) in self.open_nodes:
            raise _error(self.path, line, "alias-loop", "an alias here contains itself")
        if len(loc) > MOST_DEPTH:
            raise _error(self.path, line, "too-deep", f"nested deeper than {MOST_DEPTH} levels")
        if node.tag not in _PLAIN_TAGS:
            message = f"the tag {shorten(node.tag)} is not allowed in a manifest: remove it"
            self._refuse("yaml-tag", loc, line, message)
            return None
        self.open_nodes.add(id(node))
        try:
            return self._content(node, loc)
        finally:
            self.open_nodes.remove(id(node))

    def _content(self, node: yaml.Node, loc: Loc) -> Tree:
        if isinstance(node, yaml.MappingNode):
            return dict(self._pairs(node, loc))
        if isinstance(node, yaml.SequenceNode):
            return [self.value(item, (*loc, i)) for i, item in enumerate(node.value)]
        plain = isinstance(node, yaml.ScalarNode) and node.style is None
        return None if plain and node.value == "" else self._text(node, loc)

    def _text(self, node: yaml.Node, loc: Loc) -> str:
        """Join the surrogates of characters that JSON writes as two escapes; refuse a lone one."""
        text = str(node.value)
        self.characters_left -= len(text)
        if self.characters_left < 0:
            message = (
                f"more than {MOST_CHARACTERS} characters once aliases are resolved: use fewer "
                "aliases"
            )
            raise _error(self.path, node.start_mark.line + 1, "too-many-aliases", message)
        try:
            return text.encode("utf-16", "surrogatepass").decode("utf-16")
        except UnicodeDecodeError:
            line = node.start_mark.line + 1
            message = "half of a character (a surrogate, U+D800 to U+DFFF): write the whole"
            self._refuse("bad-text", loc, line, message)
            return ""

    def _pairs(self, node: yaml.MappingNode, loc: Loc) -> Iterator[tuple[str, Tree]]:
        first_lines: dict[str, int] = {}
        for key_node, value_node in node.value:
            line = key_node.start_mark.line + 1
            if not isinstance(key_node, yaml.ScalarNode) or key_node.tag not in _PLAIN_TAGS:
                self._refuse("bad-key", loc, line, "a key must be one word, without a tag")
                continue
            key = self._text(key_node, loc)
            place = (*loc, key)
            if key in first_lines:
                self._refuse(
                    "duplicate-key",
                    place,
                    line,
                    f"`{shorten(key)}` is here twice (first on line {first_lines[key]}): keep one",
                )
                continue
            first_lines[key] = line
            self.places.lines[place] = line
            yield key, self.value(value_node, place)

    def _refuse(self, code: str, loc: Loc, line: int, message: str) -> None:
        finding = Finding("error", code, where_text(loc), str(self.path), line, message)
        self.findings.append(finding)
        if len(self.findings) == MOST_FINDINGS:
            last = Finding(
                "error", "more-findings", "", str(self.path), line, "correct these first"
            )
            raise FindingsError([*self.findings, last])


_PLAIN_TAGS = frozenset(["tag:yaml.org,2002:str", "tag:yaml.org,2002:seq", "tag:yaml.org,2002:map"])
