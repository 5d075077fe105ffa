"""Join, part, add and name tracks in a manifest's text; what names tracks by number follows."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import Any

from assembler.draft.song_list import song_list
from assembler.errors import AssemblerError
from assembler.findings import Loc
from assembler.manifest import ManifestFile, Track
from assembler.manifest.edit_text import (
    TRACK_KEYS,
    NewItem,
    Value,
    arrange_items,
    content_at,
    edit_text,
)
from assembler.manifest.editions import NUMBER_KEYS
from assembler.sequence.limits import MOST_TRACKS

_OF_ONE_TRACK = {
    *("title", "start", "end", "gap", "overlap", "fade_in", "indexes", "isrc", "iswc", "disc"),
    *("version_of", "lyrics", "comment"),
}
"""Keys that the second part of a track does not have from the first."""
_SEGUE = "0"


def arranged(
    source: ManifestFile,
    items: Sequence[int | NewItem],
    values: Mapping[Loc, Value] | None = None,
    into: Mapping[int, Sequence[int]] | None = None,
) -> str:
    """Return the manifest's text with other tracks; credits and versions keep their tracks.

    Parameters
    ----------
    source
        The manifest.
    items
        The new list: the index of a track that stays, or the keys of a new one.
    values
        Other changes, by their place in the new list.
    into
        New indexes of tracks that became another one or several.

    Raises
    ------
    AssemblerError
        The list can't be written so, or a removed track is named elsewhere.
    """
    numbers = {old + 1: [new + 1] for new, old in enumerate(items) if isinstance(old, int)}
    numbers |= {old + 1: [new + 1 for new in news] for old, news in (into or {}).items()}
    manifest = source.manifest
    changes = dict(values or {})
    for i, credit in enumerate(manifest.credits):
        new = sorted({n for old in credit.tracks for n in numbers.get(old, ())})
        if credit.tracks and not new:
            raise AssemblerError(
                f"the credit of {credit.name} names a track that would be removed: change it first"
            )
        if new != list(credit.tracks):
            changes["credits", i, "tracks"] = tuple(map(str, new))
    for new_index, old_index in enumerate(items):
        if not isinstance(old_index, int):
            continue
        for key in NUMBER_KEYS:
            number = getattr(manifest.tracks[old_index], key)
            if number is None or numbers.get(number) == [number]:
                continue
            if number not in numbers:
                raise AssemblerError(
                    f"`{key}` of track {old_index + 1} names a removed track: change it first"
                )
            changes["tracks", new_index, key] = str(numbers[number][0])
    text = arrange_items(source.text, ("tracks",), items)
    return edit_text(text, changes) if changes else text


def joined_tracks(source: ManifestFile, index: int) -> str:
    """Return the text with a track and the next one as one, up to where the next one ends.

    Raises
    ------
    AssemblerError
        There is no such track, or the two are not on one recording.
    """
    tracks = source.manifest.tracks
    if not 0 <= index < len(tracks) - 1:
        raise AssemblerError("there is no track after this one to join it with")
    track, following = tracks[index : index + 2]
    if (track.side, track.audio) != (following.side, following.audio):
        raise AssemblerError("the two tracks are not on one recording: they can't be joined")
    if following.start is not None and track.start is not None and following.start < track.start:
        raise AssemblerError("the next track is earlier in the recording: they can't be joined")
    values: dict[Loc, Value] = {
        ("tracks", index, key): content_at(source.text, ("tracks", index + 1, key))
        for key in ("end", "fade_out")
    }
    items = [i for i in range(len(tracks)) if i != index + 1]
    return arranged(source, items, values, {index + 1: [index]})


def parted_track(source: ManifestFile, index: int, at_s: object) -> str:
    """Return the text with a track as two, the second a segue from the first.

    Parameters
    ----------
    source
        The manifest.
    index
        Of the track.
    at_s
        Where the second one begins, on the recording's clock.

    Raises
    ------
    AssemblerError
        There is no such track, or the place is not inside it.
    """
    tracks = source.manifest.tracks
    if not 0 <= index < len(tracks):
        raise AssemblerError("there is no track with this number")
    track, at = tracks[index], _time_text(at_s)
    begins, ends = track.start or 0, track.end
    if not begins < Fraction(str(at_s)) or (ends is not None and Fraction(str(at_s)) >= ends):
        raise AssemblerError("the place is not inside the track: choose one between its marks")
    written = content_at(source.text, ("tracks", index))
    shared = {key: _new_value(one) for key, one in written.items() if key not in _OF_ONE_TRACK}
    new = {"title": f"{track.title} (2)", **shared, "start": at, "gap": _SEGUE}
    if "end" in written:
        new["end"] = written["end"]
    new = {key: new[key] for key in sorted(new, key=TRACK_KEYS.index)}
    items: list[int | NewItem] = list(range(len(tracks)))
    items.insert(index + 1, new)
    values: dict[Loc, Value] = {("tracks", index, "end"): at, ("tracks", index, "fade_out"): None}
    return arranged(source, items, values, {index: [index, index + 1]})


def tracks_from_cuts(source: ManifestFile, side: object, songs: object, titles: object) -> str:
    """Return the text with the songs of a side as its tracks.

    Its tracks keep their keys, in order; what is missing is added after them, what is too many is
    removed.

    Parameters
    ----------
    source
        The manifest.
    side
        Its name.
    songs
        Start and end of each, in seconds of the transfer.
    titles
        Their song list, as far as it is known.

    Raises
    ------
    AssemblerError
        There is no such side, or a song can't be written.
    """
    name, own = _tracks_of(source, side)
    cuts = _cuts(songs)
    known = [song.title for song in song_list(titles).songs] if isinstance(titles, str) else []
    first = own[0] if own else len(source.manifest.tracks)
    items: list[int | NewItem] = [i for i in range(len(source.manifest.tracks)) if i not in own]
    values: dict[Loc, Value] = {}
    for n, (start_s, end_s) in enumerate(cuts):
        title = known[n] if n < len(known) else None
        start, end = _time_text(start_s), _time_text(end_s)
        if n < len(own):
            items.insert(first + n, own[n])
            values["tracks", first + n, "start"] = start
            values["tracks", first + n, "end"] = end
            if title:
                values["tracks", first + n, "title"] = title
            continue
        new = {"title": title or f"Track {n + 1}", "from": name, "start": start, "end": end}
        if start == _time_text(cuts[n - 1][1]):
            new["gap"] = _SEGUE
        items.insert(first + n, new)
    return arranged(source, items, values)


def named_tracks(source: ManifestFile, side: object, text: object) -> str:
    """Return the text with the titles of a pasted list.

    Parameters
    ----------
    source
        The manifest.
    side
        Name of the side whose tracks are named; None for all tracks.
    text
        The list, as `draft` and `split` read it.

    Raises
    ------
    AssemblerError
        The list has no titles, or not as many as there are tracks.
    """
    own = list(range(len(source.manifest.tracks))) if side is None else _tracks_of(source, side)[1]
    songs = song_list(text).songs if isinstance(text, str) else ()
    if len(songs) != len(own):
        raise AssemblerError(
            f"{len(songs)} titles are in the list, {len(own)} tracks are named by it: give one "
            "title per track, in order"
        )
    changes: dict[Loc, Value] = {
        ("tracks", i, "title"): song.title for i, song in zip(own, songs, strict=True)
    }
    return edit_text(source.text, changes)


def _tracks_of(source: ManifestFile, side: object) -> tuple[str, list[int]]:
    if not isinstance(side, str) or side not in source.manifest.transfers:
        raise AssemblerError("there is no side of this name")
    tracks: Sequence[Track] = source.manifest.tracks
    return side, [i for i, track in enumerate(tracks) if track.side == side]


def _cuts(songs: object) -> list[tuple[float, float]]:
    pairs = songs if isinstance(songs, list) else []
    if not 0 < len(pairs) <= MOST_TRACKS:
        raise AssemblerError(f"give 1 to {MOST_TRACKS} songs, each with its start and end")
    try:
        return [(float(start), float(end)) for start, end in pairs]
    except (TypeError, ValueError) as error:
        raise AssemblerError("each song must have its start and its end in seconds") from error


def _time_text(at_s: object) -> str:
    """Return a time as ``m:ss.fff``, with more decimals where it has them, up to microseconds.

    Examples
    --------
    >>> _time_text(83.5)
    '1:23.500'
    """
    if not isinstance(at_s, int | float) or not math.isfinite(at_s) or not 0 <= at_s < 1e6:
        raise AssemblerError("a time must be seconds from the start of the recording")
    minutes, seconds = divmod(round(at_s * 1_000_000), 60_000_000)
    text = f"{minutes}:{seconds // 1_000_000:02d}.{seconds % 1_000_000:06d}"
    return text[:-3] + text[-3:].rstrip("0")


def _new_value(value: Any) -> Any:
    """Return parsed YAML as a value to write."""
    return tuple(value) if isinstance(value, list) else value
