"""Edits of a YAML text: where, and what is put there.

A YAML library that loads and dumps would format the whole file: indentation, line breaks in lists,
aligned comments. So the places come from PyYAML's nodes, and only there text is put in or removed.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import yaml

from assembler.manifest.yaml_scalar import yaml_text

PlainValue = str | bool | tuple[str, ...] | tuple[Mapping[str, Any], ...] | Mapping[str, Any]
"""What is written into a manifest: a text, true or false, a list of texts or of mappings."""
_IN_FLOW = re.compile(r"[,\[\]{}]")
_AS_IT_IS = re.compile(r"\d{4}(-\d\d){0,2}|-?(0|[1-9]\d{0,4})(\.\d+)?|\d+(:\d\d)+(\.\d+)?")
"""Dates, numbers and times."""


@dataclass(frozen=True)
class Edit:
    """A stretch of a text, and what replaces it."""

    start: int
    end: int
    text: str


class UneditableError(Exception):
    """The place is written in a way that can't be changed without touching something else."""


def applied(text: str, edits: Sequence[Edit]) -> str:
    """Return a text with its edits."""
    parts, at = [], 0
    for edit in sorted(edits, key=lambda edit: (edit.start, edit.end)):
        parts += [text[at : edit.start], edit.text]
        at = edit.end
    return "".join([*parts, text[at:]])


def value_yaml(value: PlainValue, *, in_flow: bool, style: str | None) -> str:
    """Return a value as YAML, texts in the quotes of what they replace."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _scalar(value, in_flow=in_flow, style=style)
    if isinstance(value, Mapping):
        return mapping_yaml(value)
    return f"[{', '.join(_item(item, style) for item in value)}]"


def _item(item: str | Mapping[str, PlainValue], style: str | None) -> str:
    if isinstance(item, str):
        return _scalar(item, in_flow=True, style=style)
    return mapping_yaml(item)


def mapping_yaml(mapping: Mapping[str, PlainValue]) -> str:
    """Return a mapping on one line."""
    pairs = (f"{key}: {value_yaml(v, in_flow=True, style=None)}" for key, v in mapping.items())
    return f"{{{', '.join(pairs)}}}"


def item_yaml(item: Mapping[str, PlainValue], indent: str, newline: str) -> str:
    """Return an item of a list as lines, one per key, the first after a dash."""
    lines = [f"{key}: {value_yaml(v, in_flow=False, style=None)}" for key, v in item.items()]
    return "".join(
        f"{indent}{'- ' if not n else '  '}{one}{newline}" for n, one in enumerate(lines)
    )


def _scalar(text: str, *, in_flow: bool, style: str | None) -> str:
    if style == "'":
        return "'" + text.replace("'", "''") + "'"
    if style == '"' or (in_flow and _IN_FLOW.search(text)):
        return json.dumps(text, ensure_ascii=False)
    return text if _AS_IT_IS.fullmatch(text) else yaml_text(text)


def set_key(
    text: str, mapping: yaml.MappingNode, name: str, value: PlainValue, order: Sequence[str] = ()
) -> Edit:
    """Return the edit that gives a key of a mapping a value.

    Parameters
    ----------
    text
        The whole text.
    mapping
        The mapping's node; it has a key.
    name, value
        The key and its value.
    order
        The order of keys: a new one is put after those before it, or last if it is not in it.

    Raises
    ------
    UneditableError
        Something else would be touched.
    """
    for key, old in mapping.value:
        if key.value == name:
            return _replaced(text, key, old, value, in_flow=bool(mapping.flow_style))
    return _inserted(text, mapping, name, value, order)


def remove_key(text: str, mapping: yaml.MappingNode, name: str) -> Edit:
    """Return the edit that removes a key of a mapping; see `set_key`."""
    at = next(i for i, (key, _) in enumerate(mapping.value) if key.value == name)
    key, value = mapping.value[at]
    start, end = key.start_mark.index, end_of(value)
    if mapping.flow_style:
        if at:
            start = mapping.value[at - 1][1].end_mark.index
        elif len(mapping.value) > 1:
            end = mapping.value[1][0].start_mark.index
        return Edit(start, end, "")
    is_alias = value.start_mark.index < key.end_mark.index
    if len(mapping.value) == 1 or is_alias or _ends_in_a_block_of_text(value):
        raise UneditableError("the value is a block of text, an alias or the mapping's only one")
    line_start = text.rfind("\n", 0, start) + 1
    if not text[line_start:start].strip():
        line_end = text.find("\n", end)
        return Edit(line_start, len(text) if line_end < 0 else line_end + 1, "")
    following = mapping.value[at + 1][0].start_mark.index if at + 1 < len(mapping.value) else end
    if "#" in text[end:following]:
        raise UneditableError("a comment is beside the value")
    return Edit(start, following, "")  # after a dash


def appended_item(text: str, items: yaml.SequenceNode, item: Mapping[str, Any]) -> Edit:
    """Return the edit that appends a mapping to a list, written as the last item is.

    Raises
    ------
    UneditableError
        Something else would be touched.
    """
    last = items.value[-1]
    end = end_of(last)
    if items.flow_style:
        return Edit(end, end, f", {mapping_yaml(item)}")
    if _ends_in_a_block_of_text(last):
        raise UneditableError("the last one ends in a block of text")
    indent, newline = item_indent(text, items), "\r\n" if "\r\n" in text else "\n"
    in_flow = bool(getattr(last, "flow_style", True))
    lines = f"{indent}- {mapping_yaml(item)}{newline}"
    lines = lines if in_flow else item_yaml(item, indent, newline)
    line_end = text.find("\n", end)
    if line_end < 0:
        return Edit(len(text), len(text), f"{newline}{lines.removesuffix(newline)}")
    return Edit(line_end + 1, line_end + 1, lines)


def removed_item(text: str, items: yaml.SequenceNode, at: int) -> Edit:
    """Return the edit that removes an item of a list in brackets; it is not the only one.

    Raises
    ------
    UneditableError
        Something else would be touched.
    """
    before, item, after = (items.value[i : i + 1] for i in (at - 1, at, at + 1))
    start = item[0].start_mark.index if not at else end_of(before[0])
    end = after[0].start_mark.index if not at else end_of(item[0])
    if "#" in text[start:end]:
        raise UneditableError("it has a comment or a `#` in it")
    return Edit(start, end, "")


def item_indent(text: str, items: yaml.SequenceNode) -> str:
    """Return what is before the dashes of a list with one item per line."""
    line = text.rfind("\n", 0, items.value[0].start_mark.index) + 1
    return text[line : text.index("-", line)]


def end_of(node: Any) -> int:
    """Return where the text of a node ends, without the lines after it."""
    last = _last_in(node)
    return int(last.end_mark.index)


def _last_in(node: Any) -> Any:
    """Return the last node in brackets or without content of its own that a node has in it."""
    while not isinstance(node, yaml.ScalarNode) and not node.flow_style and node.value:
        node = node.value[-1][1] if isinstance(node, yaml.MappingNode) else node.value[-1]
    return node


def _ends_in_a_block_of_text(node: Any) -> bool:
    return getattr(_last_in(node), "style", None) in ("|", ">")


def _replaced(
    text: str, key: yaml.ScalarNode, old: Any, value: PlainValue, *, in_flow: bool
) -> Edit:
    start, end = old.start_mark.index, old.end_mark.index
    if ":" not in text[key.end_mark.index : start] or text[start : start + 1] in ("&", "*", "!"):
        raise UneditableError("the value is an anchor, an alias or missing")
    if isinstance(old, yaml.ScalarNode):
        if old.style in ("|", ">"):
            raise UneditableError("the value is a block of lines")
        new = value_yaml(value, in_flow=in_flow, style=old.style)
        is_empty = old.style is None and not old.value
        return Edit(start, end, f" {new}" if is_empty else new)
    if not old.flow_style and old.value:  # a list with one name per line
        end = old.value[-1].end_mark.index
        if any(getattr(item, "style", None) in ("|", ">") for item in old.value):
            raise UneditableError("the value is a block of lines")
    if "#" in text[start:end]:
        raise UneditableError("the list has a comment or a `#` in it")
    return Edit(start, end, value_yaml(value, in_flow=in_flow, style="list"))


def _inserted(
    text: str, mapping: yaml.MappingNode, name: str, value: PlainValue, order: Sequence[str]
) -> Edit:
    first, in_flow = mapping.value[0][0], bool(mapping.flow_style)
    quoted = json.dumps(name) if first.style == '"' else name
    line = f"{quoted}: {value_yaml(value, in_flow=in_flow, style=first.style)}"
    newline = "\r\n" if "\r\n" in text else "\n"
    indent = " " * first.start_mark.column
    before = (
        order[: order.index(name)] if name in order else [key.value for key, _ in mapping.value]
    )
    pairs = [pair for pair in mapping.value if pair[0].value in before and _ends_in_place(*pair)]
    if not pairs:
        after = ", " if in_flow else f"{newline}{indent}"
        return Edit(first.start_mark.index, first.start_mark.index, f"{line}{after}")
    _, last = max(pairs, key=lambda pair: before.index(pair[0].value))
    end = last.end_mark.index
    if in_flow:
        return Edit(end, end, f", {line}")
    line_end = text.find("\n", end)
    if line_end < 0:
        return Edit(len(text), len(text), f"{newline}{indent}{line}")
    return Edit(line_end + 1, line_end + 1, f"{indent}{line}{newline}")


def _ends_in_place(key: yaml.ScalarNode, value: Any) -> bool:
    if value.start_mark.index < key.end_mark.index:
        return False  # an alias: its mark is elsewhere
    if isinstance(value, yaml.ScalarNode):
        return value.style not in ("|", ">")
    return bool(value.flow_style)
