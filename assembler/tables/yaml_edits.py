"""Edits of a YAML text: where, and what is put there."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from assembler.manifest.yaml_scalar import yaml_text
from assembler.tables.cells import PlainValue

_IN_FLOW = re.compile(r"[,\[\]{}]")


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
    for edit in sorted(edits, key=lambda edit: edit.start):
        parts += [text[at : edit.start], edit.text]
        at = edit.end
    return "".join([*parts, text[at:]])


def value_yaml(value: PlainValue, *, in_flow: bool, style: str | None) -> str:
    """Return a value as YAML, texts in the quotes of what they replace."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _scalar(value, in_flow=in_flow, style=style)
    return f"[{', '.join(_item(item, style) for item in value)}]"


def _item(item: str | Mapping[str, PlainValue], style: str | None) -> str:
    if isinstance(item, str):
        return _scalar(item, in_flow=True, style=style)
    return mapping_yaml(item)


def mapping_yaml(mapping: Mapping[str, PlainValue]) -> str:
    """Return a mapping on one line."""
    pairs = (f"{key}: {value_yaml(v, in_flow=True, style=None)}" for key, v in mapping.items())
    return f"{{{', '.join(pairs)}}}"


def _scalar(text: str, *, in_flow: bool, style: str | None) -> str:
    if style == "'":
        return "'" + text.replace("'", "''") + "'"
    if style == '"' or (in_flow and _IN_FLOW.search(text)):
        return json.dumps(text, ensure_ascii=False)
    if re.fullmatch(r"\d{4}(-\d\d){0,2}|[1-9]\d{0,2}(\.\d+)?", text):
        return text  # a date, a number or a share, as the manifest has it
    return yaml_text(text)
