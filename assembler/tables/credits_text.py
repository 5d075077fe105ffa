"""Write new credits into a manifest's text, behind those that it has."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import yaml

from assembler.manifest.yaml_edits import Edit, UneditableError, mapping_yaml
from assembler.tables.import_plan import Change

CREDITS = "credits"
"""The section, and the key of a change that adds to it."""


def new_credits(changes: Sequence[Change]) -> list[dict[str, Any]]:
    """Return the credits of some changes, one for each person and their roles, with all tracks."""
    merged: dict[tuple[str, ...], dict[str, Any]] = {}
    for change in changes:
        for credit in change.value if isinstance(change.value, tuple) else ():
            if not isinstance(credit, str):
                key = (credit["name"], *credit["roles"])
                empty = {"name": credit["name"], "roles": list(credit["roles"]), "tracks": []}
                merged.setdefault(key, empty)["tracks"] += credit["tracks"]
    return list(merged.values())


def credit_edits(
    text: str, root: yaml.MappingNode, credits: Sequence[dict[str, Any]]
) -> list[Edit]:
    """Return the edit that adds credits: a line each, or in the brackets of a list on one line.

    Raises
    ------
    UneditableError
        The section is written in a way that can't be added to.
    """
    if not credits:
        return []
    lines = list(map(mapping_yaml, credits))
    newline = "\r\n" if "\r\n" in text else "\n"
    section = next((value for key, value in root.value if key.value == CREDITS), None)
    if section is None:
        if root.flow_style:
            raise UneditableError("the manifest is one mapping in braces")
        start = "" if text.endswith("\n") else newline
        rows = "".join(f"  - {line}{newline}" for line in lines)
        return [Edit(len(text), len(text), f"{start}{newline}{CREDITS}:{newline}{rows}")]
    if not isinstance(section, yaml.SequenceNode) or not section.value:
        raise UneditableError("`credits` is empty or has an alias")
    end = _end_of(section.value[-1])
    if section.flow_style:
        return [Edit(end, end, "".join(f", {line}" for line in lines))]
    line_end = text.find("\n", end)
    indent = " " * section.start_mark.column
    if line_end < 0:
        return [Edit(len(text), len(text), "".join(f"{newline}{indent}- {x}" for x in lines))]
    rows = "".join(f"{indent}- {line}{newline}" for line in lines)
    return [Edit(line_end + 1, line_end + 1, rows)]


def _end_of(node: Any) -> int:
    """Return where a node's text ends; a block's own mark is behind what follows it."""
    if isinstance(node, yaml.ScalarNode):
        if node.style in ("|", ">"):
            raise UneditableError("the last credit ends with a block of lines")
        return int(node.end_mark.index)
    if node.flow_style or not node.value:
        return int(node.end_mark.index)
    last = node.value[-1]
    return _end_of(last[1] if isinstance(last, tuple) else last)
