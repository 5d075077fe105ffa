"""Write values into a manifest's text; every other character stays as it is.

A YAML library that loads and dumps would format the whole file: indentation, line breaks in lists,
aligned comments. So the places come from PyYAML's nodes, and only there text is put in. The result
is parsed again and must hold the changes and no others.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import yaml

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import ManifestFile, Track, load
from assembler.manifest.details import TrackDetails
from assembler.tables.cells import PlainValue
from assembler.tables.changes import Change
from assembler.tables.credits_text import CREDITS, credit_edits, new_credits
from assembler.tables.export import write_at_once
from assembler.tables.yaml_edits import Edit, UneditableError, applied, value_yaml

_KEYS = {name: field.alias or name for name, field in Track.model_fields.items()}
_KEY_ORDER = [_KEYS[name] for name in sorted(_KEYS, key=lambda n: n in TrackDetails.model_fields)]
"""A track's keys in the order in which they are written: its details last."""


def edited_text(
    source: ManifestFile, changes: Sequence[Change]
) -> tuple[str, tuple[Change, ...], list[Finding]]:
    """Return the manifest's text with changes.

    Parameters
    ----------
    source
        The manifest.
    changes
        What to write.

    Returns
    -------
    text, written, findings
        The new text, the changes that are in it, and a warning for each that can't be written.
    """
    if not changes:
        return source.text, (), []
    loader = yaml.BaseLoader(source.text)
    root: Any = loader.get_single_node()
    tracks = next(value.value for key, value in root.value if key.value == "tracks")
    edits: list[Edit] = []
    written: list[Change] = []
    findings: list[Finding] = []
    of_tracks = [change for change in changes if change.key != CREDITS]
    for change in sorted(of_tracks, key=lambda c: _KEY_ORDER.index(c.key)):
        try:
            shared = sum(node is tracks[change.index] for node in tracks) > 1
            edits.append(_edit(source.text, tracks[change.index], change, shared=shared))
            written.append(change)
        except UneditableError as reason:
            loc = ("tracks", change.index, change.key)
            message = f"{reason}: left out; write `{change.after}` there yourself"
            findings.append(source.finding("warning", "not-written", loc, message))
    credits = [change for change in changes if change.key == CREDITS]
    try:
        edits += credit_edits(source.text, root, new_credits(credits))
        written += credits
    except UneditableError as reason:
        listed = "; ".join(change.after for change in credits)
        message = f"{reason}: left out; write the credits there yourself: {listed}"
        findings.append(source.finding("warning", "not-written", (CREDITS,), message))
    text = applied(source.text, edits)
    _refuse_other_content(source, loader.construct_document(root), text, written)
    return text, tuple(written), findings


def _edit(text: str, track: yaml.MappingNode, change: Change, *, shared: bool) -> Edit:
    if shared or text[track.start_mark.index] in "&*":
        raise UneditableError("the track has an anchor or an alias")
    for key, value in track.value:
        if key.value == change.key:
            return _replaced(text, key, value, change, in_flow=bool(track.flow_style))
    return _inserted(text, track, change)


def _replaced(
    text: str, key: yaml.ScalarNode, value: Any, change: Change, *, in_flow: bool
) -> Edit:
    start, end = value.start_mark.index, value.end_mark.index
    if ":" not in text[key.end_mark.index : start] or text[start : start + 1] in ("&", "*", "!"):
        raise UneditableError("the value is an anchor, an alias or missing")
    if isinstance(value, yaml.ScalarNode):
        if value.style in ("|", ">"):
            raise UneditableError("the value is a block of lines")
        new = value_yaml(change.value, in_flow=in_flow, style=value.style)
        is_empty = value.style is None and not value.value
        return Edit(start, end, f" {new}" if is_empty else new)
    if not value.flow_style and value.value:  # a list with one name per line
        end = value.value[-1].end_mark.index
        if any(item.style in ("|", ">") for item in value.value):
            raise UneditableError("the value is a block of lines")
    if "#" in text[start:end]:
        raise UneditableError("the list has a comment or a `#` in it")
    return Edit(start, end, value_yaml(change.value, in_flow=in_flow, style="list"))


def _inserted(text: str, track: yaml.MappingNode, change: Change) -> Edit:
    key, value = _key_before(track, change.key)
    name = json.dumps(change.key) if key.style == '"' else change.key
    line = f"{name}: {value_yaml(change.value, in_flow=bool(track.flow_style), style=key.style)}"
    end = value.end_mark.index
    if track.flow_style:
        return Edit(end, end, f", {line}")
    newline = "\r\n" if "\r\n" in text else "\n"
    line_end = text.find("\n", end)
    indent = " " * key.start_mark.column
    if line_end < 0:
        return Edit(len(text), len(text), f"{newline}{indent}{line}")
    return Edit(line_end + 1, line_end + 1, f"{indent}{line}{newline}")


def _key_before(track: yaml.MappingNode, key: str) -> tuple[Any, Any]:
    """Return the key and value after which a new key belongs: its value must end on its line."""
    order = _KEY_ORDER[: _KEY_ORDER.index(key)]
    pairs = [(k, v) for k, v in track.value if k.value in order and _ends_in_place(k, v)]
    if not pairs:
        raise UneditableError("the track's other keys are all blocks of lines")
    return max(pairs, key=lambda pair: order.index(pair[0].value))


def _ends_in_place(key: yaml.ScalarNode, value: Any) -> bool:
    if value.start_mark.index < key.end_mark.index:
        return False  # an alias: its mark is elsewhere
    if isinstance(value, yaml.ScalarNode):
        return value.style not in ("|", ">")
    return bool(value.flow_style)


def _refuse_other_content(
    source: ManifestFile, content: Any, text: str, written: Sequence[Change]
) -> None:
    """Check that the new text holds the old content with the changes, and no others."""
    for change in written:
        if change.key != CREDITS:
            content["tracks"][change.index][change.key] = _as_loaded(change.value)
    if added := new_credits([change for change in written if change.key == CREDITS]):
        content[CREDITS] = [*content.get(CREDITS, ()), *added]
    if yaml.load(text, yaml.BaseLoader) != content:
        raise AssemblerError(
            f"{source.path}: the changes can't be written without changing something else in the "
            "file: nothing is written; write them yourself"
        )


def _as_loaded(value: PlainValue) -> Any:
    """Return a value as YAML's base loader has it: all scalars as texts."""
    if isinstance(value, bool):
        return str(value).lower()
    return list(value) if isinstance(value, tuple) else value


def write_manifest(source: ManifestFile, text: str, check: Callable[[Path], object] = load) -> None:
    """Replace a manifest's file at once by a new text that loads; a byte-order mark stays.

    Raises
    ------
    AssemblerError
        The text is not a manifest, the file has changed since it was read, or can't be written.
    """
    path = source.path.resolve()
    try:
        old = path.read_bytes()
        mark = b"\xef\xbb\xbf" if old.startswith(b"\xef\xbb\xbf") else b""
        if old.removeprefix(mark) != source.text.encode():
            raise AssemblerError(f"{source.path}: changed while it was read: try again")
        write_at_once(path, mark + text.encode(), check)
    except OSError as error:
        reason = (error.strerror or "error").lower()
        message = f"{source.path}: can't be written: {reason}: check the permissions and the space"
        raise AssemblerError(message) from error
