"""Write values into a manifest's text; every other character stays as it is.

The result is parsed again and must hold the changes and no others.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import yaml

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import ManifestFile, load
from assembler.manifest.edit_text import TRACK_KEYS
from assembler.manifest.yaml_edits import Edit, PlainValue, UneditableError, applied, set_key
from assembler.tables.credits_text import CREDITS, credit_edits, new_credits
from assembler.tables.import_plan import Change
from assembler.whole_files import write_at_once


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
    for change in sorted(of_tracks, key=lambda c: TRACK_KEYS.index(c.key)):
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
    return set_key(text, track, change.key, change.value, TRACK_KEYS)


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
