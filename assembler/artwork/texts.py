"""Hold the live text of the artwork against what the manifest has for each panel."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence

from assembler.artwork.groups import Group
from assembler.artwork.letters import (
    Span,
    difference,
    in_words,
    letters_of,
    shown_difference,
)
from assembler.artwork.parts import ArtworkFinding
from assembler.artwork.track_rows import row_findings, row_rank
from assembler.findings import Severity
from assembler.manifest import Manifest
from assembler.sheets.people import all_names
from assembler.sleeve.wanted import Wanted

_SURE = 90
"""From here on a line of credits is one line with a difference, and not another form."""
_NEAR = 84
_LETTERS_TO_RESEMBLE = 6
_UNREADABLE = 0.3
_HAS_RIGHT_TO_LEFT = re.compile("[\u0590-\u08ff]")
_NOT_THE_SAME: dict[str, tuple[Severity, str]] = {
    "quotes": ("note", "has other quotes"),
    "dashes": ("note", "has other dashes"),
    "case": ("warning", "has other capitals"),
    "spaces": ("warning", "has other spaces"),
    "signs": ("error", "differs"),
}


def text_findings(
    manifest: Manifest,
    groups: Sequence[Group],
    *,
    has_durations: bool,
) -> Iterator[ArtworkFinding]:
    """Find what is missing, what differs, and what looks like a typing error."""
    readable = []
    for group in groups:
        if problem := _no_live_text(group):
            yield problem
        else:
            readable.append(group)
    for group in readable:
        yield from _exact(group)
    for group in readable:
        yield from _others(group, readable)
        yield from row_findings(group, has_durations=has_durations)
    names = _vocabulary(manifest)
    for group in readable:
        yield from _like_the_manifest(group, names)
        yield from _codes(group, manifest)


def _no_live_text(group: Group) -> ArtworkFinding | None:
    """Find panels whose text can't be read: outlines, pictures, fonts without a Unicode table."""
    text = group.stream.text
    if not group.wanted:
        return None
    unreadable = sum(sign == "\ufffd" or "\ue000" <= sign <= "\uf8ff" for sign in text)
    if text.strip() and unreadable > _UNREADABLE * len(text):
        message = (
            "not determined: its fonts do not say which letters they draw; ask for a PDF with "
            "live text"
        )
        return group.finding("error", "text-unreadable", message)
    if group.stream.letters or not group.has_drawing:
        return None
    severity: Severity = "warning" if group.kind == "front" else "error"
    message = (
        "not determined: it has no live text, only outlines or pictures; ask for a PDF with live "
        "text, or read this panel by eye"
    )
    return group.finding(severity, "no-live-text", message)


def _exact(group: Group) -> Iterator[ArtworkFinding]:
    """Find the texts that are there letter by letter, the longest first."""
    order = sorted(range(len(group.wanted)), key=lambda n: (-len(group.wanted[n].text), n))
    for n in order:
        wanted = group.wanted[n]
        for text in (wanted.text, *wanted.variants):
            spans = [*group.stream.occurrences(text, is_free=text == wanted.text)]
            if spans:
                span = min(spans, key=lambda one: (*_rank(group, wanted, text, one), one.start))
                group.found[n] = span
                group.stream.use(span)
                if wanted.is_strict:
                    yield from _small_difference(group, wanted, text, span)
                break


def _rank(group: Group, wanted: Wanted, text: str, span: Span) -> tuple[int, int]:
    row = row_rank(group.stream, wanted.track, span)
    kind = difference(text, group.stream, span)[0]
    return row, ("same", "quotes", "dashes", "case", "spaces", "signs").index(kind)


def _small_difference(
    group: Group, wanted: Wanted, text: str, span: Span
) -> Iterator[ArtworkFinding]:
    kind, shown = difference(text, group.stream, span)
    if kind != "same":
        severity, verb = _NOT_THE_SAME[kind]
        message = f"{wanted.what} {verb}: “{shown}”, the manifest has “{text}”"
        yield group.finding(severity, f"text-{kind}", message, span)


def _others(group: Group, groups: Sequence[Group]) -> Iterator[ArtworkFinding]:
    """Find what became of the texts that are not there letter by letter."""
    left = [n for n in range(len(group.wanted)) if n not in group.found]
    left.sort(key=lambda n: -len(group.wanted[n].text))
    for n in left:
        wanted = group.wanted[n]
        if _is_elsewhere(group, wanted, groups):
            continue
        likely = group.stream.likely(wanted.text, _SURE if wanted.pieces else 75)
        if likely:
            group.stream.use(likely[0])
            yield _differs(group, _placed(group, n, likely[0]), likely[0])
        elif wanted.pieces:
            yield from _pieces(group, wanted, groups)
        elif _HAS_RIGHT_TO_LEFT.search(wanted.text):
            message = (
                f"{wanted.what}: not determined, since it reads from right to left; compare it by "
                f"eye: “{wanted.text}”"
            )
            yield group.finding("warning", "text-not-compared", message)
        elif wanted.severity != "note" and group.is_whole:
            yield _missing(group, wanted.what, wanted.text, wanted.severity)


def _placed(group: Group, n: int, span: Span) -> Wanted:
    """Place a text that differs; of several that read the same, return the one of its place.

    They are in the order of the manifest, so which of them differs follows from where it is.
    """
    group.found[n] = span
    same = sorted(m for m in group.found if group.wanted[m].text == group.wanted[n].text)
    spans = sorted((group.found[m] for m in same), key=lambda one: one.start)
    group.found |= dict(zip(same, spans, strict=True))
    return group.wanted[same[spans.index(span)]]


def _is_elsewhere(group: Group, wanted: Wanted, groups: Sequence[Group]) -> bool:
    """Return whether a text is part of another one, or on a panel that the templates don't say."""
    reversed_text = letters_of(wanted.text)[::-1]
    if _HAS_RIGHT_TO_LEFT.search(wanted.text) and reversed_text in group.stream.letters:
        return True
    if _take(wanted, [one for one in groups if one.kind == "overflow"]):
        return True
    if wanted.track or group.kind in ("spine", "front"):
        return False
    own = [*group.stream.occurrences(wanted.text, is_free=False)]
    if own and not wanted.pieces:
        return True
    if group.kind == "label":
        return False
    kinds = ("back", "credits", "free")
    return _take(wanted, [one for one in groups if one is not group and one.kind in kinds])


def _take(wanted: Wanted, groups: Sequence[Group]) -> bool:
    """Return whether one of some panels has a text that nothing else has used; use it."""
    for group in groups:
        if span := next(group.stream.occurrences(wanted.text), None):
            group.stream.use(span)
            return True
    return False


def _differs(group: Group, wanted: Wanted, span: Span) -> ArtworkFinding:
    ours, theirs = shown_difference(wanted.text, group.stream.shown(span))
    message = f"{wanted.what} differs: “{theirs}”, the manifest has “{ours}”"
    severity: Severity = "warning" if wanted.severity == "warning" else "error"
    return group.finding(severity, "text-differs", message, span)


def _missing(group: Group, what: str, text: str, severity: Severity) -> ArtworkFinding:
    name = what if what.startswith("“") else f"{what} “{in_words(text)}”"
    return group.finding(severity, "text-missing", f"{name} is missing: add it")


def _pieces(group: Group, wanted: Wanted, groups: Sequence[Group]) -> Iterator[ArtworkFinding]:
    """Find the names and roles of a line that is set in another form."""
    streams = [group.stream, *(one.stream for one in groups if one.kind in ("back", "free"))]
    missing = [
        piece
        for piece in wanted.pieces
        if not any(any(s.occurrences(piece, is_free=False)) for s in streams)
    ]
    whole = wanted.text
    if len(missing) == len(wanted.pieces) or wanted.pieces[0] in missing:
        likely = group.stream.likely(wanted.pieces[0], 80)
        if likely:
            group.stream.use(likely[0])
            ours, theirs = shown_difference(wanted.pieces[0], group.stream.shown(likely[0]))
            message = f"{wanted.what} differs: “{theirs}”, the manifest has “{ours}”"
            yield group.finding("error", "text-differs", message, likely[0])
            return
        if group.is_whole:
            yield _missing(group, wanted.what, whole, "error")
        return
    for piece in missing:
        likely = group.stream.likely(piece, 80)
        if likely:
            group.stream.use(likely[0])
            message = f"{wanted.what} differs: “{group.stream.shown(likely[0])}”, not “{piece}”"
            yield group.finding("error", "text-differs", f"{message} (“{whole}”)", likely[0])
        else:
            message = f"{wanted.what}: “{piece}” is missing in “{whole}”: add it"
            yield group.finding("error", "text-missing", message)
    if not missing:
        yield from _fewer(group, wanted)


def _fewer(group: Group, wanted: Wanted) -> Iterator[ArtworkFinding]:
    """Find a name whose every mention belongs to other lines: this line may be lost."""
    name = wanted.pieces[0]
    if not any(group.stream.occurrences(name)) and not any(
        any(group.stream.occurrences(piece)) for piece in wanted.pieces
    ):
        message = f"{wanted.what} may be missing: “{wanted.text}” is there for other tracks only"
        yield group.finding("warning", "text-missing", message)


def _vocabulary(manifest: Manifest) -> list[str]:
    """Return the names and titles that text may resemble, each once."""
    release = manifest.release
    texts = [release.title, release.label or "", *(track.title for track in manifest.tracks)]
    texts += all_names(manifest)
    unique = dict.fromkeys(text for text in texts if len(letters_of(text)) >= _LETTERS_TO_RESEMBLE)
    return sorted(unique, key=len, reverse=True)


def _like_the_manifest(group: Group, names: Sequence[str]) -> Iterator[ArtworkFinding]:
    """Find unused text that is nearly a name or a title of the manifest."""
    for name in names:
        for span in [*group.stream.occurrences(name)]:
            group.stream.use(span)
    for name in names:
        likely = group.stream.likely(name, _NEAR)
        if likely and likely[1] < 100:
            shown = group.stream.shown(likely[0])
            group.stream.use(likely[0])
            message = f"“{shown}” resembles “{name}” of the manifest: correct it if it is meant"
            yield group.finding("warning", "text-resembles", message, likely[0])


def _codes(group: Group, manifest: Manifest) -> Iterator[ArtworkFinding]:
    """Find catalogue numbers, ISRCs and barcodes that are not the manifest's."""
    number, barcode = manifest.release.catalogue_number, manifest.release.barcode
    isrcs = {track.isrc for track in manifest.tracks if track.isrc}
    kinds: list[tuple[str, str, str, Callable[[str], bool]]] = [
        (
            "ISRC",
            r"ISRC[\s:]*([A-Z]{2}[\s-]*[A-Z0-9]{3}[\s-]*\d{2}[\s-]*\d{5})\b",
            "other-isrc",
            lambda code: re.sub(r"[\s-]", "", code) in isrcs,
        )
    ]
    if number and (shape := _shape(number)):
        kinds.append(
            (
                "catalogue number",
                shape,
                "other-catalogue-number",
                lambda code: _bare(code) == _bare(number),
            )
        )
    if barcode:
        kinds.append(
            (
                "barcode's digits",
                r"(?<!\d)(\d(?: ?\d){11,12})(?!\d)",
                "other-barcode-digits",
                lambda code: _bare(code).lstrip("0") == barcode.lstrip("0"),
            )
        )
    text = "".join(
        sign if drawn or sign == " " else " "
        for sign, drawn in zip(group.stream.text, group.stream.drawn, strict=True)
    )
    for what, pattern, code, is_ours in kinds:
        for found in re.finditer(pattern, text):
            if not is_ours(found[1]):
                span = Span(*found.span(1))
                message = f"{what} {found[1]} is not in the manifest: correct it"
                if not _is_reported(group, span):
                    yield group.finding("error", code, message, span)


def _is_reported(group: Group, span: Span) -> bool:
    return any(
        found.start <= span.start < found.end
        and difference(group.wanted[n].text, group.stream, found)[0] == "signs"
        for n, found in group.found.items()
    )


def _shape(number: str) -> str:
    """Return a pattern of catalogue numbers with the same letters."""
    letters = re.match(r"[^\W\d_]{2,}", number)
    digits = re.search(r"\d+", number)
    if not letters or not digits:
        return ""
    return rf"(?<!\w)({re.escape(letters[0])}[\s–-]{{0,2}}\d+)(?!\w)"


def _bare(text: str) -> str:
    return re.sub(r"[^\w]", "", text).casefold()
