"""Load a manifest: a typed, frozen release, or every finding with its line and what to do."""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from assembler.errors import FindingsError
from assembler.findings import Finding, Loc, Severity, where_text
from assembler.manifest.details import ReleaseDetails, TrackDetails
from assembler.manifest.isrc_range import number_isrcs
from assembler.manifest.model import NO_SOURCE, Manifest
from assembler.manifest.sets import DISC, DOWNLOAD
from assembler.manifest.unknown_keys import NEW_FORMAT_NAMES, unknown_key_message
from assembler.manifest.yaml_text import MOST_FINDINGS, Places, Tree, read_text, read_tree
from assembler.text import shorten

_NOT_FOR_THE_ORDER: Mapping[str | int, frozenset[str]] = {
    "release": frozenset((
        "barcode", "catalogue_number", "label", "release_date", "genre", "p_line", "c_line",
        "front_cover", "back_cover", "language", *ReleaseDetails.model_fields,
    )),
    "tracks": frozenset((
        "isrc", "composers", "lyricists", "arrangers", "publisher", "recorded", "recorded_at",
        "lyrics", "comment", *TrackDetails.model_fields,
    )),
    "text": frozenset(),
    "sleeve": frozenset(),
}  # fmt: skip
"""Keys that the running order does not depend on; for `text` and `sleeve`, all."""


@dataclass(frozen=True)
class ManifestFile:
    """A manifest together with the file it was read from.

    Attributes
    ----------
    path
        The file, as the user named it.
    manifest
        Its content.
    places
        The line of each of its keys.
    text
        The file's text.
    numbered
        Indexes of the tracks whose ISRC is from the release's range.
    faults
        Findings about values that are wrong and were left out.
    """

    path: Path
    manifest: Manifest
    places: Places
    text: str
    numbered: tuple[int, ...] = ()
    faults: tuple[Finding, ...] = ()

    @property
    def digest(self) -> str:
        """SHA-256 of the content; comments and the order of keys do not count."""
        tree, _ = read_tree(self.text, self.path)
        return hashlib.sha256(json.dumps(tree, sort_keys=True).encode()).hexdigest()

    def resolve(self, relative: str) -> Path:
        """Return the full path of a file that the manifest names relative to its folder."""
        return self.path.parent / relative

    def is_wrong(self, *loc: str | int) -> bool:
        """Return whether the value at a place was left out because it is wrong, not empty."""
        return where_text(loc) in {fault.where for fault in self.faults}

    def finding(self, severity: Severity, code: str, loc: Loc, message: str) -> Finding:
        """Return a finding about a place in this manifest."""
        line = self.places.line(loc)
        return Finding(severity, code, where_text(loc), str(self.path), line, message)


def load(path: str | Path) -> ManifestFile:
    """Read a manifest.

    Parameters
    ----------
    path
        The YAML file.

    Returns
    -------
    ManifestFile
        The typed release and the lines of its keys.

    Raises
    ------
    FindingsError
        The file can't be read, or something in it is wrong; all findings are included.

    Examples
    --------
    >>> load("manifests/songs-for-slack-water.yaml").manifest.release.title
    'Songs for Slack Water'
    """
    source = load_to_check(path)
    if source.faults:
        raise FindingsError(source.faults)
    return source


def load_to_check(path: str | Path) -> ManifestFile:
    """Read a manifest, even where values that the running order does not depend on are wrong.

    Parameters
    ----------
    path
        The YAML file.

    Returns
    -------
    ManifestFile
        Without the wrong values, which are listed in `faults`.

    Raises
    ------
    FindingsError
        As for `load`, where the running order can't be determined.
    """
    return load_text(read_text(Path(path)), Path(path))


def load_text(text: str, path: Path) -> ManifestFile:
    """Read a manifest from a text that is, or will be, in a file; see `load_to_check`."""
    tree, places = read_tree(text, path)
    if not isinstance(tree, dict):
        message = "a manifest is a mapping that begins with `release:`"
        raise FindingsError([Finding("error", "wrong-kind", "", str(path), 1, message)])
    faults: list[Finding] = []
    tree = _without_empty(tree)
    try:
        manifest = Manifest.model_validate(tree)
    except ValidationError as error:
        is_list = isinstance(tree, dict) and isinstance(tree.get("download"), list)
        found = _findings(error, places, is_list=is_list)
        faults = sorted(found, key=lambda finding: finding.line)
        try:
            manifest = Manifest.model_validate(_without_faults(tree, error))
        except (ValidationError, LookupError):
            raise FindingsError(faults) from error
    if unknown := [*_unknown_sides(manifest, places), *_unknown_editions(manifest, places)]:
        raise FindingsError(unknown)
    try:
        manifest, numbered = number_isrcs(manifest)
    except ValueError as error:
        loc = ("release", "isrc")
        line = places.line(loc)
        finding = Finding("error", "isrc-range-spent", where_text(loc), str(path), line, str(error))
        raise FindingsError([finding]) from error
    return ManifestFile(path, manifest, places, text, numbered, tuple(faults))


def _without_faults(tree: Tree, error: ValidationError) -> Tree:
    """Return the tree without the values that are wrong.

    Raises
    ------
    LookupError
        The running order may depend on one of them.
    """
    rest = copy.deepcopy(tree)
    for detail in error.errors(include_url=False):
        loc = detail["loc"]
        keys = _NOT_FOR_THE_ORDER[loc[0]]
        key = loc[2] if loc[0] == "tracks" else loc[1]
        if keys and key not in keys:
            raise LookupError(key)
        parent: Any = rest
        for part in loc[:-1]:
            parent = parent[part]
        if isinstance(parent, list):
            raise LookupError(loc)  # the items after it would move up
        del parent[loc[-1]]
    return rest


def _without_empty(tree: Tree) -> Tree:
    """Return the tree without keys whose value is empty."""
    if isinstance(tree, dict):
        return {k: _without_empty(v) for k, v in tree.items() if v is not None}
    if isinstance(tree, list):
        return [_without_empty(item) for item in tree]
    return tree


def _findings(error: ValidationError, places: Places, *, is_list: bool) -> Iterable[Finding]:
    """Explain validation errors; `is_list`: `download` is a list of sets."""
    details = error.errors(include_url=False)
    for detail in details[:MOST_FINDINGS]:
        loc = detail["loc"]
        if loc[:2] == ("download", 0) and not is_list:
            loc = ("download", *loc[2:])
        if detail["type"] == NO_SOURCE:
            detail = {**detail, "type": "missing-key"}
            loc = (*loc, "audio")
        code, message = _explain(detail, loc)
        yield Finding("error", code, where_text(loc), places.file, places.line(loc), message)
    if len(details) > MOST_FINDINGS:
        last = places.line(details[MOST_FINDINGS]["loc"])
        message = f"and {len(details) - MOST_FINDINGS} more findings: correct these first"
        yield Finding("error", "more-findings", "", places.file, last, message)


def _unknown_sides(manifest: Manifest, places: Places) -> Iterable[Finding]:
    for index, track in enumerate(manifest.tracks):
        if track.side is not None and track.side not in manifest.transfers:
            loc = ("tracks", index, "from")
            names = ", ".join(manifest.transfers) or "none yet"
            message = (
                f"there is no side `{shorten(track.side)}` under `transfers` (the sides there: "
                f"{shorten(names)}): correct the name, or add the side"
            )
            line = places.line(loc)
            yield Finding("error", "unknown-side", where_text(loc), places.file, line, message)


def _unknown_editions(manifest: Manifest, places: Places) -> Iterable[Finding]:
    known = dict.fromkeys((DISC, DOWNLOAD, *(one.edition for one in manifest.download)))
    for index, track in enumerate(manifest.tracks):
        for number, name in enumerate(track.on):
            if name not in known:
                loc = ("tracks", index, "on", number)
                message = (
                    f"there is no edition `{shorten(name)}`: write `disc`, `download`, or the name "
                    f"of a download set ({', '.join([*known][2:]) or 'none has a name here'})"
                )
                line = places.line(loc)
                yield Finding(
                    "error", "unknown-edition", where_text(loc), places.file, line, message
                )


def _explain(detail: Any, loc: Loc) -> tuple[str, str]:
    kind = detail["type"]
    if kind == "missing":
        return "missing-key", f"`{loc[-1]}` is missing or empty: add `{loc[-1]}: …` here"
    if kind == "extra_forbidden":
        return "unknown-key", unknown_key_message(loc)
    if kind == "literal_error":
        choice = str(detail["input"])
        if new := NEW_FORMAT_NAMES.get(choice):
            return "bad-choice", f"`{choice}` is now `{new}`: write the new name"
        choices = str(detail["ctx"]["expected"]).replace("'", "`")
        return "bad-choice", f"`{shorten(choice)}` is not a choice: use {choices}"
    if kind in ("model_type", "dict_type", "model_attributes_type"):
        return "wrong-kind", "a mapping of keys and values is expected here"
    if kind in ("tuple_type", "list_type"):
        return "wrong-kind", "a list is expected here: one `- …` per line, or [a, b]"
    return kind, str(detail["msg"])
