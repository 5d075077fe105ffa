"""Change values in a manifest's text; every other character stays as it is.

The result is parsed again and must hold the changes and no others.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from itertools import pairwise
from typing import Any

import yaml

from assembler.errors import AssemblerError
from assembler.findings import Loc, where_text
from assembler.manifest.details import TrackDetails
from assembler.manifest.model import Manifest, Track
from assembler.manifest.transfers import Transfer
from assembler.manifest.yaml_edits import (
    Edit,
    PlainValue,
    UneditableError,
    appended_item,
    applied,
    end_of,
    item_indent,
    item_yaml,
    remove_key,
    removed_item,
    set_key,
)

Value = str | tuple[str, ...] | tuple[Mapping[str, Any], ...] | None
"""A text, a list of texts or of mappings, or None to remove the key."""
NewItem = Mapping[str, PlainValue]
_KEYS = {name: field.alias or name for name, field in Track.model_fields.items()}
TRACK_KEYS = [_KEYS[name] for name in sorted(_KEYS, key=lambda n: n in TrackDetails.model_fields)]
"""A track's keys in the order in which they are written: its details last."""
_TRANSFER_KEYS = list(Transfer.model_fields)
_IN_A_TRACK = 3
"""Parts of the shortest place of an item inside a track; other lists have numbers elsewhere."""
_PART = re.compile(r"([^.\[\]]+)|\[(\d+)\]")
_REFUSED = "can't be changed here without touching something else: change it in the file"


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


def edit_text(text: str, changes: Mapping[Loc, Value]) -> str:
    """Return the text of a manifest with changed values; new keys are put in their order.

    Parameters
    ----------
    text
        YAML that loads.
    changes
        New values by place; None removes the key or the item of a list. A place below the item
        after the last, such as ``tracks[3].equaliser[2].hz`` of a list of two, appends one.

    Raises
    ------
    AssemblerError
        A place can't be changed by itself: it has an anchor, an alias, a comment inside, or is not
        there.
    """
    root, expected = _parsed(text)
    edits = []
    for loc, value in _with_parents(expected, changes).items():
        edits.append(_edit(text, root, loc, value, _order(loc)))
        _set(expected, loc, value)
    return _checked(applied(text, edits), expected)


def arrange_items(text: str, loc: Loc, items: Sequence[int | NewItem]) -> str:
    """Return the text with the items of a list in another order, fewer, or with new ones.

    Parameters
    ----------
    text
        YAML that loads.
    loc
        Place of the list.
    items
        The index of each item that stays, which keeps its text with the comment lines above it; a
        new one as a mapping.

    Raises
    ------
    AssemblerError
        The list is not written with one item per line, or an anchor would come after its alias.
    """
    root, expected = _parsed(text)
    node = _node(root, loc)
    content = _get(expected, loc)
    if not isinstance(node, yaml.SequenceNode) or node.flow_style:
        raise AssemblerError(f"`{where_text(loc)}` {_REFUSED}")
    pieces, head, tail = _pieces(text, node)
    indent = item_indent(text, node)
    newline = "\r\n" if "\r\n" in text else "\n"
    arranged = [pieces[i] if isinstance(i, int) else item_yaml(i, indent, newline) for i in items]
    content[:] = [content[i] if isinstance(i, int) else _as_parsed(i) for i in items]
    whole = [piece if piece.endswith("\n") else piece + "\n" for piece in arranged]
    new = head + "".join(whole) + tail
    if not text.endswith("\n") and not tail:
        new = new.removesuffix("\n")
    return _checked(new, expected)


def content_at(text: str, loc: Loc) -> Any:
    """Return what a text holds at a place, every scalar as text; None where it holds nothing."""
    return _get(_parsed(text)[1], loc)


def _as_parsed(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _as_parsed(one) for key, one in value.items()}
    return [_as_parsed(one) for one in value] if isinstance(value, tuple | list) else value


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
    """Return the changes, those under mappings that are not there yet as one mapping."""
    found: dict[Loc, Any] = {}
    for loc, value in changes.items():
        if value is None:
            if _get(content, loc) is None:
                continue
            loc = _whole(content, loc)
        made = len(loc)
        while made > 1 and _can_be_made(content, loc[: made - 1]):
            made -= 1
        if made == len(loc):
            found[loc] = value
            continue
        at = found.setdefault(loc[:made], {})
        for part in loc[made:-1]:
            at = at.setdefault(part, {})
        at[loc[-1]] = value
    return found


def _order(loc: Loc) -> Sequence[str]:
    """Return the keys of the mapping that a place is in, in order; none where it has no order."""
    match loc:
        case (_,):
            return list(Manifest.model_fields)
        case ("tracks", _, _):
            return TRACK_KEYS
        case ("transfers", _, _):
            return _TRANSFER_KEYS
    return ()


def _whole(content: Any, loc: Loc) -> Loc:
    """Return the place to remove: of the mapping too, where it would be empty."""
    while len(loc) > 1 and isinstance(loc[-1], str) and isinstance(loc[-2], str):
        if len(_get(content, loc[:-1])) > 1:
            break
        loc = loc[:-1]
    return loc


def _can_be_made(content: Any, loc: Loc) -> bool:
    """Return whether a place holds no mapping or list yet, and can: a key, or the next item."""
    if isinstance(_get(content, loc), dict | list):
        return False
    listed = _get(content, loc[:-1])
    return isinstance(loc[-1], str) or (isinstance(listed, list) and loc[-1] == len(listed))


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
    elif isinstance(parent, list):
        parent.append(_as_parsed(value))
    else:
        parent[loc[-1]] = _as_parsed(value)


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


def _edit(text: str, root: Any, loc: Loc, value: Any, order: Sequence[str]) -> Edit:
    mapping, name = _node(root, loc[:-1]), str(loc[-1])
    place = f"`{where_text(loc)}` {_REFUSED}"
    if isinstance(mapping, yaml.SequenceNode):
        return _edit_item(text, mapping, loc, value)
    if not isinstance(mapping, yaml.MappingNode) or not mapping.value:
        raise AssemblerError(place)
    if mapping is not root and text[mapping.start_mark.index] in "&*":
        raise AssemblerError(f"{place}: it has an anchor")
    if any(key.value == name for key, _ in mapping.value):
        _node(root, loc)
    try:
        if value is None:
            return remove_key(text, mapping, name)
        return set_key(text, mapping, name, value, order)
    except UneditableError as error:
        raise AssemblerError(f"{place}: {error}") from error


def _edit_item(text: str, items: yaml.SequenceNode, loc: Loc, value: Any) -> Edit:
    """Return the edit that removes an item of a list inside a track, or appends one."""
    place, at, count = f"`{where_text(loc)}` {_REFUSED}", loc[-1], len(items.value)
    if len(loc) < _IN_A_TRACK or not isinstance(at, int) or not count:
        raise AssemblerError(place)
    try:
        if isinstance(value, Mapping) and at == count:
            return appended_item(text, items, value)
        if value is not None or count == 1:
            raise AssemblerError(place)
        if items.flow_style:
            return removed_item(text, items, at)
    except UneditableError as error:
        raise AssemblerError(f"{place}: {error}") from error
    pieces, head, _ = _pieces(text, items)
    start = len(head) + sum(map(len, pieces[:at]))
    return Edit(start, start + len(pieces[at]), "")


def _pieces(text: str, node: yaml.SequenceNode) -> tuple[list[str], str, str]:
    """Cut a list into its items' lines; return these, and the text before and after."""
    starts = [_first_line(text, item.start_mark.index) for item in node.value]
    last = end_of(node.value[-1])
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
