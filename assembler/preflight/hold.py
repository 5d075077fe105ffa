"""The approved sound under `level: {hold: approved}`: which tracks it holds, and which not.

A track is recognised by its sound: the contents of its source files, section, EQ, fades and
restoration. So it may be renamed or moved. Another sound with the ISRC, title, files or source
of an approved track replaces that one; any other is new.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.manifest import Manifest, ManifestFile
from assembler.preflight.track_section import TrackSection
from assembler.proof.approval import (
    Approval,
    ApprovedSound,
    ApprovedTrack,
    approval_path,
    approved,
    signed,
)
from assembler.text import decimal, number_ranges, shorten, signed_db

Sign = Callable[[ApprovedTrack], object]
"""What two tracks must have in common."""

_LOC = ("level", "hold")


@dataclass(frozen=True)
class HeldTrack:
    """A track that the approval has.

    Attributes
    ----------
    approved
        Index of the approved track.
    is_same
        Its sound is the approved one; else it replaces it.
    trim_change_db
        By how much its trim was changed since.
    """

    approved: int
    is_same: bool
    trim_change_db: float

    @property
    def kind(self) -> Literal["same", "replaced"]:
        """How it is held."""
        return "same" if self.is_same else "replaced"


@dataclass(frozen=True)
class Hold:
    """An approved sound, and which track of the manifest has which of its tracks.

    Attributes
    ----------
    sound
        The approval's sounds and gains.
    tracks
        By index in the manifest; None for a new track.
    """

    sound: ApprovedSound
    tracks: tuple[HeldTrack | None, ...]


def approved_track(manifest: Manifest, section: TrackSection) -> ApprovedTrack:
    """Return what a hold will recognise a track by."""
    track = section.track
    transfer = manifest.transfers[track.side] if track.side else None
    settings = [
        section.recording.sha256s,
        [str(time_s) for time_s in (track.start or 0, track.end, track.fade_in, track.fade_out)],
        track.fade_shape,
        [
            band.model_dump(
                mode="json", exclude={key for key in ("on", "dynamic") if not getattr(band, key)}
            )
            for band in track.equaliser
        ],
        transfer.restoration.model_dump(mode="json") if transfer else None,
    ]
    if track.mono_below is not None:  # digests of approvals without it stay
        settings.append({"mono_below": track.mono_below})
    if transfer and transfer.tone:
        settings.append({"side": transfer.tone})
    if track.compress is not None:
        settings.append({"compress": track.compress.model_dump(mode="json")})
    if section.tone:
        settings.append({"tone": section.tone.references})
    if track.clip is not None:
        settings.append({"clip": track.clip})
    return ApprovedTrack(
        sound=hashlib.sha256(json.dumps(settings).encode()).hexdigest(),
        title=track.full_title,
        isrc=track.isrc,
        sources=tuple(section.recording.sha256s),
        files=section.names,
        trim_db=track.trim,
    )


def find_hold(
    source: ManifestFile, sections: Sequence[TrackSection]
) -> tuple[Hold | None, list[Finding]]:
    """Return what the manifest's approval holds; None without a hold, or where it can't be known.

    Parameters
    ----------
    source
        The manifest.
    sections
        All its tracks, opened with digests; without digests nothing is recognised.
    """
    if source.manifest.level.hold == "none":
        return None, []
    path = approval_path(source.path)
    try:
        approval = approved(source.path)
    except AssemblerError as error:
        reason = str(error).removeprefix(f"{path}: ")
        return None, [source.finding("error", "no-approval", _LOC, f"{path.name}: {reason}")]
    if approval is None or approval.sound is None:
        return None, [_refused(source, path.name, is_old=approval is not None)]
    if not all(file.digest for section in sections for file in section.recording.source_files):
        message = f"not determined which tracks {path.name} holds: the sources were not read"
        return None, [source.finding("note", "held", _LOC, message)]
    now = [approved_track(source.manifest, section) for section in sections]
    hold = Hold(approval.sound, tuple(paired(approval.sound.tracks, now)))
    return hold, list(_hold_findings(source, approval, hold))


def _refused(source: ManifestFile, name: str, *, is_old: bool) -> Finding:
    if is_old:
        message = (
            f"{name} has no gains, since an older proof page saved it: send out the proof of a "
            "new build without `hold`, and store the file that its page saves"
        )
        return source.finding("error", "approval-without-gains", _LOC, message)
    message = (
        f"there is no {name}: store the artist's file with `assembler approve`, or remove `hold`"
    )
    return source.finding("error", "no-approval", _LOC, message)


def paired(
    old: Sequence[ApprovedTrack], new: Sequence[ApprovedTrack]
) -> Iterator[HeldTrack | None]:
    """Return the approved track of each track."""
    same: tuple[Sign, ...] = (lambda track: (track.sound, track.title), lambda track: track.sound)
    replaced: tuple[Sign, ...] = (
        lambda track: track.isrc,
        lambda track: track.title.casefold(),
        lambda track: track.files,
        lambda track: track.sources,
    )
    found: dict[int, HeldTrack] = {}
    left, open_ = dict(enumerate(old)), dict(enumerate(new))
    for sign in (*same, *replaced):
        for i, track in list(open_.items()):
            places = [k for k, one in left.items() if sign(one) == sign(track) is not None]
            is_certain = all(sum(sign(k) == sign(track) for k in all_) == 1 for all_ in (old, new))
            if places and (sign in same or is_certain):
                trim_change_db = open_.pop(i).trim_db - left.pop(places[0]).trim_db
                found[i] = HeldTrack(places[0], sign in same, trim_change_db)
    return (found.get(i) for i in range(len(new)))


def _hold_findings(source: ManifestFile, approval: Approval, hold: Hold) -> Iterator[Finding]:
    """Report what is held and what not, and settings that the approval did not have."""
    name = approval_path(source.path).name
    kinds: Mapping[str, list[int]] = {
        "keep their approved gain": [i for i, one in enumerate(hold.tracks) if one and one.is_same],
        "replaced, matched to the approved loudness": [
            i for i, one in enumerate(hold.tracks) if one and not one.is_same
        ],
        "new, matched to the held release": [i for i, o in enumerate(hold.tracks) if o is None],
    }
    texts = [f"{tracks_text(places)}: {what}" for what, places in kinds.items() if places]
    kept = {one.approved for one in hold.tracks if one}
    gone = [one.title for i, one in enumerate(hold.sound.tracks) if i not in kept]
    texts += [f"no longer there: {', '.join(map(shorten, gone))}"] if gone else []
    message = f"held as approved{signed(approval)} ({name}): {'; '.join(texts)}"
    yield source.finding("note", "held", _LOC, message)
    ticked = {verdict.key: verdict.approved for verdict in approval.tracks}
    same = kinds["keep their approved gain"]
    unticked = [i for i in same if not ticked.get(str(_approved_at(hold, i) + 1), False)]
    if unticked:
        message = f"{tracks_text(unticked)}: held, but not ticked as OK: read the remarks in {name}"
        yield source.finding("warning", "held-not-ticked", _LOC, message)
    yield from _trim_findings(source, hold)
    yield from _level_findings(source, hold, name)


def _approved_at(hold: Hold, index: int) -> int:
    held = hold.tracks[index]
    return held.approved if held else -1


def _trim_findings(source: ManifestFile, hold: Hold) -> Iterator[Finding]:
    for index, held in enumerate(hold.tracks):
        if held and held.trim_change_db:
            message = (
                f"trim changed by {signed_db(held.trim_change_db)} since the approval: applied on "
                "top of what is held"
            )
            yield source.finding("note", "held-trim", ("tracks", index, "trim"), message)


def _level_findings(source: ManifestFile, hold: Hold, name: str) -> Iterator[Finding]:
    """Find level settings that are no longer those of the approved release."""
    for master in hold.sound.masters:
        level = source.manifest.level_of_master(master.name)
        if level is None:
            continue
        changed = [
            f"{key} {_value(getattr(master, key))} (now {_value(getattr(level, key))})"
            for key in ("match", "target", "ceiling")
            if getattr(master, key) != getattr(level, key)
        ]
        if changed:
            message = (
                f"{master.name}: {name} was saved with {', '.join(changed)}: the gains stay as "
                "approved; to use the new match and target, remove `hold`"
            )
            yield source.finding("warning", "held-level-changed", _LOC, message)


def _value(value: str | float) -> str:
    return value if isinstance(value, str) else decimal(value)


def tracks_text(indices: Sequence[int]) -> str:
    """Write the numbers of tracks, given their indexes: ``tracks 1–3``."""
    return f"track{'s' * (len(indices) > 1)} {number_ranges(i + 1 for i in indices)}"
