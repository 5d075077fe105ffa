"""Change values in a manifest's text; every other character stays as it is.

A YAML library that loads and dumps would format the whole file: indentation, line breaks in lists,
aligned comments. So the places come from PyYAML's nodes, and only there text is put in or removed.
The result is parsed again and must hold the changes and no others.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import yaml

from assembler.errors import AssemblerError
from assembler.findings import Loc, where_text
from assembler.manifest.yaml_scalar import yaml_text

Value = str | tuple[str, ...] | None
"""A text, a list of texts, or None to remove the key."""
_IN_FLOW = re.compile(r"[,\[\]{}]")
_PLAIN = re.compile(r"-?\d+(\.\d+)?|\d+(:\d\d)+(\.\d+)?|\d{4}(-\d\d){1,2}")
"""Numbers, times and dates: written as they are."""
_PART = re.compile(r"([^.\[\]]+)|\[(\d+)\]")
_REFUSED = "can't be changed here without touching something else: change it in the file"


@dataclass(frozen=True)
class _Edit:
    start: int
    end: int
    text: str


def parse_place(place: str) -> Loc:
    """Return the keys of a place such as ``tracks[3].gap``.

    Raises
    ------
    ValueError
        It is not a place.

    Examples
    --------
    >>> parse_place("tracks[3].gap")
    ('tracks', 3, 'gap')
    """
    parts = [int(number) if number else name for name, number in _PART.findall(place)]
    if not parts or where_text(tuple(parts)) != place:
        raise ValueError(f"`{place}` is not a place in the manifest")
    return tuple(parts)


def edit_text(
    text: str, changes: Mapping[Loc, Value], orders: Mapping[int, Sequence[str]] | None = None
) -> str:
    """Return the text of a manifest with changed values.

    Parameters
    ----------
    text
        YAML that loads.
    changes
        New values by place; None removes the key.
    orders
        The order of a mapping's keys, by the length of its place; others are put last.

    Raises
    ------
    AssemblerError
        A place can't be changed by itself: it has an anchor, an alias, a comment inside, or is not
        there.
    """
    root, expected = _parsed(text)
    edits = []
    for loc, value in _with_parents(expected, changes).items():
        edits.append(_edit(text, root, loc, value, (orders or {}).get(len(loc), ())))
        _set(expected, loc, value)
    return _checked(_applied(text, edits), expected)


def move_item(text: str, loc: Loc, start: int, to: int) -> str:
    """Return the text with an item of a list moved, with the comment lines above it.

    Parameters
    ----------
    text
        YAML that loads.
    loc
        Place of the list.
    start, to
        Its index before and after.

    Raises
    ------
    AssemblerError
        The list is not written with one item per line, or an anchor would come after its alias.
    """
    root, expected = _parsed(text)
    node = _node(root, loc)
    items = _get(expected, loc)
    if not isinstance(node, yaml.SequenceNode) or node.flow_style:
        raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}")
    pieces, head, tail = _pieces(text, node)
    for one in (pieces, items):
        one.insert(to, one.pop(start))
    whole = [piece if piece.endswith("\n") else piece + "\n" for piece in pieces]
    moved = head + "".join(whole) + tail
    if not text.endswith("\n") and not tail:
        moved = moved.removesuffix("\n")
    return _checked(moved, expected)


def _parsed(text: str) -> tuple[Any, Any]:
    """Return a text's nodes and its content."""
    loader = yaml.BaseLoader(text)
    root = loader.get_single_node()
    return root, loader.construct_document(root)


def _checked(text: str, expected: Any) -> str:
    try:
        _, found = _parsed(text)
    except yaml.YAMLError:
        found = None
    if found != expected:
        raise AssemblerError(f"the manifest {_REFUSED}")
    return text


def _with_parents(content: Any, changes: Mapping[Loc, Value]) -> dict[Loc, Any]:
    """Return the changes, those under a mapping that is not there yet as one mapping."""
    found: dict[Loc, Any] = {}
    for loc, value in changes.items():
        parent = loc[:-1]
        if value is None and _get(content, loc) is None:
            continue
        if parent and isinstance(parent[-1], str) and _get(content, parent) is None:
            found.setdefault(parent, {})[loc[-1]] = value
        else:
            found[loc] = value
    return found


def _get(content: Any, loc: Loc) -> Any:
    for part in loc:
        try:
            content = content[part]
        except (LookupError, TypeError):
            return None
    return content


def _set(content: Any, loc: Loc, value: Any) -> None:
    parent = _get(content, loc[:-1])
    if value is None:
        del parent[loc[-1]]
    else:
        parent[loc[-1]] = list(value) if isinstance(value, tuple) else value


def _applied(text: str, edits: Sequence[_Edit]) -> str:
    parts, at = [], 0
    for edit in sorted(edits, key=lambda edit: (edit.start, edit.end)):
        parts += [text[at : edit.start], edit.text]
        at = edit.end
    return "".join([*parts, text[at:]])


def _node(root: Any, loc: Loc) -> Any:
    """Return the node at a place, which no alias shares.

    Raises
    ------
    AssemblerError
        There is none, or it has an anchor.
    """
    node = root
    for part in loc:
        if isinstance(node, yaml.MappingNode):
            found = [value for key, value in node.value if key.value == part]
        elif isinstance(node, yaml.SequenceNode) and isinstance(part, int):
            found = node.value[part : part + 1]
        else:
            found = []
        if not found:
            raise AssemblerError(f"`{where_text(loc)}` is not in the manifest")
        node = found[0]
        if sum(one is node for one in _all(root)) > 1:
            raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}: it is used in several places")
    return node


def _all(node: Any) -> Iterator[Any]:
    yield node
    if isinstance(node, yaml.MappingNode):
        for _, value in node.value:
            yield from _all(value)
    elif isinstance(node, yaml.SequenceNode):
        for item in node.value:
            yield from _all(item)


def _edit(text: str, root: Any, loc: Loc, value: Any, order: Sequence[str]) -> _Edit:
    mapping, name = _node(root, loc[:-1]), str(loc[-1])
    if not isinstance(mapping, yaml.MappingNode):
        raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}")
    if mapping is not root and text[mapping.start_mark.index] in "&*":
        raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}: it has an anchor")
    at = next((i for i, (key, _) in enumerate(mapping.value) if key.value == name), None)
    if at is None:
        return _inserted(text, mapping, name, value, order)
    _node(root, loc)
    edit = _removed(text, mapping, at) if value is None else _replaced(text, mapping, at, value)
    if edit is None:
        raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}")
    return edit


def _replaced(text: str, mapping: yaml.MappingNode, at: int, value: Any) -> _Edit | None:
    key, old = mapping.value[at]
    start, end = old.start_mark.index, old.end_mark.index
    if ":" not in text[key.end_mark.index : start] or text[start : start + 1] in ("&", "*", "!"):
        return None
    in_flow = bool(mapping.flow_style)
    if isinstance(old, yaml.ScalarNode):
        if old.style in ("|", ">"):
            return None
        new = _value_text(value, in_flow=in_flow, style=old.style)
        is_empty = old.style is None and not old.value
        return _Edit(start, end, f" {new}" if is_empty else new)
    if not isinstance(old, yaml.SequenceNode):
        return None
    if not old.flow_style and old.value:  # a list with one item per line
        end = old.value[-1].end_mark.index
        if any(getattr(item, "style", None) in ("|", ">") for item in old.value):
            return None
    if "#" in text[start:end]:
        return None
    return _Edit(start, end, _value_text(value, in_flow=in_flow, style="list"))


def _removed(text: str, mapping: yaml.MappingNode, at: int) -> _Edit | None:
    key, value = mapping.value[at]
    start, end = key.start_mark.index, value.end_mark.index
    if mapping.flow_style:
        if at:
            return _Edit(mapping.value[at - 1][1].end_mark.index, end, "")
        if len(mapping.value) > 1:
            return _Edit(start, mapping.value[1][0].start_mark.index, "")
        return _Edit(start, end, "")
    if len(mapping.value) == 1 or not _ends_in_place(key, value):
        return None
    line_start = text.rfind("\n", 0, start) + 1
    line_end = text.find("\n", end)
    line_end = len(text) if line_end < 0 else line_end + 1
    if not text[line_start:start].strip():
        return _Edit(line_start, line_end, "")
    following = mapping.value[at + 1][0].start_mark.index if at + 1 < len(mapping.value) else end
    return None if "#" in text[end:following] else _Edit(start, following, "")  # after a dash


def _inserted(
    text: str, mapping: yaml.MappingNode, name: str, value: Any, order: Sequence[str]
) -> _Edit:
    first = mapping.value[0][0]
    in_flow = bool(mapping.flow_style)
    quoted = json.dumps(name) if first.style == '"' else name
    line = f"{quoted}: {_value_text(value, in_flow=in_flow, style=first.style)}"
    newline = "\r\n" if "\r\n" in text else "\n"
    indent = " " * first.start_mark.column
    before = order[: order.index(name)] if name in order else None
    places = [
        pair
        for pair in mapping.value
        if (in_flow or _ends_in_place(*pair)) and (before is None or pair[0].value in before)
    ]
    if not places:
        after = ", " if in_flow else f"{newline}{indent}"
        return _Edit(first.start_mark.index, first.start_mark.index, f"{line}{after}")
    key, last = (
        places[-1] if before is None else max(places, key=lambda p: before.index(p[0].value))
    )
    end = max(last.end_mark.index, key.end_mark.index)
    if in_flow:
        return _Edit(end, end, f", {line}")
    line_end = text.find("\n", end)
    if line_end < 0:
        return _Edit(len(text), len(text), f"{newline}{indent}{line}")
    return _Edit(line_end + 1, line_end + 1, f"{indent}{line}{newline}")


def _ends_in_place(key: yaml.ScalarNode, value: Any) -> bool:
    if value.start_mark.index < key.end_mark.index:
        return False  # an alias: its mark is elsewhere
    if isinstance(value, yaml.ScalarNode):
        return value.style not in ("|", ">")
    return bool(value.flow_style)


def _value_text(value: Any, *, in_flow: bool, style: str | None) -> str:
    if isinstance(value, dict):
        pairs = (
            f"{key}: {_value_text(one, in_flow=True, style=style)}" for key, one in value.items()
        )
        return f"{{{', '.join(pairs)}}}"
    if isinstance(value, tuple):
        return f"[{', '.join(_scalar(one, in_flow=True, style=style) for one in value)}]"
    return _scalar(value, in_flow=in_flow, style=style)


def _scalar(text: str, *, in_flow: bool, style: str | None) -> str:
    """Return a text as YAML, in the quotes of what it replaces."""
    if style == "'":
        return "'" + text.replace("'", "''") + "'"
    if style == '"' or (in_flow and _IN_FLOW.search(text)):
        return json.dumps(text, ensure_ascii=False)
    return text if _PLAIN.fullmatch(text) else yaml_text(text)


def _pieces(text: str, node: yaml.SequenceNode) -> tuple[list[str], str, str]:
    """Cut a list into its items' lines; return these, and the text before and after."""
    starts = [_first_line(text, item.start_mark.index) for item in node.value]
    last = node.value[-1].end_mark.index
    end = text.rfind("\n", 0, last) + 1 if text[:last].endswith("\n") else text.find("\n", last) + 1
    end = end or len(text)
    while text[:end].rstrip(" ").endswith("\n\n"):  # the blank lines before what follows
        end = text.rfind("\n", 0, end - 1) + 1
    edges = [*starts, end]
    pieces = [text[a:b] for a, b in pairwise(edges)]
    return pieces, text[: starts[0]], text[end:]


def _first_line(text: str, item: int) -> int:
    """Return where the lines of an item begin: its dash, with the comment lines above it."""
    dash = text.rfind("-", 0, item + 1)
    start = text.rfind("\n", 0, dash) + 1
    while start:
        above = text.rfind("\n", 0, start - 1) + 1
        if not text[above:start].lstrip().startswith("#"):
            break
        start = above
    return start
