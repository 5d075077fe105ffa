"""Write the proof's page and pictures again from manifest, report and sound, and compare them.

The curve of gain reduction, which only the build knew, is taken from the page itself.
"""

from __future__ import annotations

import json
import re
from base64 import b64decode
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.download.formats import facts_of
from assembler.findings import Finding
from assembler.finished.finished import FinishedRelease, UnreadableError
from assembler.finished.pcm import Stretch as Samples
from assembler.finished.pcm import in_format, region_of_image
from assembler.finished.report_form import DeliveredReport
from assembler.manifest.editions import played_text
from assembler.manifest.sets import DISC, set_of
from assembler.metadata import TrackMetadata
from assembler.proof.content import (
    CurveSegment,
    Delivered,
    GainReductionCurve,
    Heard,
    Proof,
    ProofDisc,
    ProofSide,
    ProofTrack,
    SourceSection,
)
from assembler.proof.curves import Curves, curves_of, lead_after, steps_of
from assembler.proof.mail import write_pictures
from assembler.proof.mailed import MAIL_CODE
from assembler.proof.page import FILES, PAGE, TEMPLATES, page_html
from assembler.release.approvals import APPROVAL_CODES
from assembler.release.tasks.clips import copy_name
from assembler.release.tasks.proofs import other_tracks
from assembler.sequence import DiscOrder
from assembler.sheets.credits_sheet import credits_sheet
from assembler.text import FRAMES_PER_SECOND
from assembler.verification.files import clips_of_sides, played_format
from assembler.verification.texts import differs, other_text

_DATA = re.compile(r'<script type="application/json" id="release">(.*?)</script>', re.DOTALL)
_AFTER_THE_PROOF = (*APPROVAL_CODES, MAIL_CODE, "kept-rooms", "stale-room")
"""Findings that a build adds when the proof is written."""


def is_known(release: FinishedRelease) -> bool:
    """Return whether the last build made the proof, and everything that it shows is there."""
    return "proof" in release.report.rooms and drawn_from(release.primary) is not None


def proof_page(release: FinishedRelease) -> Iterator[Finding]:
    """Compare the page, its files and its pictures."""
    for name in FILES:
        yield from other_text(release, f"proof/{name}", (TEMPLATES / name).read_bytes())
    proof = known_proof(release)
    yield from other_text(release, f"proof/{PAGE}", page_html(proof).encode())
    with TemporaryDirectory() as folder:
        write_pictures(Path(folder), proof)
        for picture in sorted(Path(folder).iterdir()):
            name = f"proof/{picture.name}"
            if (release.folder / name).read_bytes() != picture.read_bytes():
                message = "is not the picture of this release"
                yield differs(release, "other-picture", name, message)


def known_proof(release: FinishedRelease) -> Proof:
    """Return the content of a release's proof, from manifest, report and sound.

    Raises
    ------
    UnreadableError
        The page does not have the curve of gain reduction.
    """
    page = f"proof/{PAGE}"
    data = _DATA.search((release.folder / page).read_text(encoding="utf-8"))
    if data is None:
        raise UnreadableError(page, "has no curves: build the release again")
    return _proof(release, json.loads(data[1]))


def drawn_from(release: FinishedRelease) -> str | bool | None:
    """Return what the curves were measured on: True for the image, or a lossless format."""
    if release.manifest.disc.make:
        return True if release.has("disc") else None
    if not release.has("download"):
        return None
    return next((name for name in release.report.formats if not facts_of(name).lossy), None)


def _proof(whole: FinishedRelease, data: dict[str, Any]) -> Proof:
    release, report = whole.primary, whole.report
    manifest = release.manifest
    played = played_format(whole)
    placed = [(release, index, one) for index, one in enumerate(release.metadata)]
    extra = zip(whole.others, other_tracks(whole.printed), strict=False)
    placed += [(*own, one) for own, one in extra]
    tracks = tuple(_track(*of, played) for of in placed)
    sha256s = tuple(report.files.get(track.listen or "", "") for track in tracks)
    return Proof(
        name=report.name,
        proof_of=report.proof_of or "",
        sheet=credits_sheet(whole.manifest, whole.printed),
        tracks=tracks,
        discs=tuple(
            _disc(release, order, drawn)
            for order, drawn in zip(release.discs, data["discs"], strict=True)
        ),
        findings=tuple(one for one in report.findings if one.code not in _AFTER_THE_PROOF),
        cover=manifest.cover_copy if "download" in report.rooms else None,
        has_clips=manifest.disc.make,
        sides=tuple(
            ProofSide.reported(side.as_json(), clips)
            for side, clips in zip(report.sides, clips_of_sides(release), strict=True)
        ),
        sound=report.sound,
        changes=tuple(report.changes),
        heard=Heard(
            played or "MP3 at 192 kbit/s",
            sha256s,
            played_text(whole.manifest, played and set_of(played), whole.shown),
        ),
    )


def _track(
    release: FinishedRelease, index: int, metadata: TrackMetadata, played: str | None
) -> ProofTrack:
    track = release.tracks[index]
    source, measured = track.source, track.source.measured
    rate_hz = source.sample_rate_hz
    section = SourceSection(
        files=tuple(source.files),
        rate_hz=rate_hz,
        start_s=source.start_sample / rate_hz,
        end_s=source.end_sample / rate_hz,
        integrated_lufs=measured.integrated_lufs if measured else None,
        range_lu=measured.loudness_range_lu if measured else None,
        true_peak_dbtp=measured.true_peak_dbtp if measured else None,
        crest_db=measured.crest_db if measured else None,
        correlation=measured.stereo_correlation if measured else None,
    )
    downloads = "download" in release.report.rooms
    made: dict[str, DeliveredReport | None] = {
        "disc": track.disc,
        **({k: one for k, one in track.delivered.items() if k != "disc"} if downloads else {}),
    }
    delivered = {
        kind: Delivered.reported(
            one.as_json(),
            one.limiting.as_json(),
            one.clipping.as_json() if one.clipping else None,
        )
        for kind, one in made.items()
        if one
    }
    copy = f"proof/tracks/{copy_name(metadata.running_number)}"
    listen = release.track_file(played, track) if played else copy
    compression = track.compression.as_json() if track.compression else None
    tone = track.done.tone.as_json() if track.done.tone else None
    return ProofTrack(metadata, section, delivered, listen, compression, tone)


def _disc(release: FinishedRelease, order: DiscOrder, drawn: dict[str, Any]) -> ProofDisc:
    make = release.manifest.disc.make
    level = release.manifest.level_of(DISC if make else release.manifest.download[0].edition)
    return ProofDisc(
        order=order,
        stretches=tuple(_stretches(release, order)),
        limit_frames=release.manifest.disc.limit if make else None,
        target_lufs=None if level.match == "none" else level.target,
        limiting=tuple(
            GainReductionCurve(place.start_frame / FRAMES_PER_SECOND, _curve(one["attenuation"]))
            for place, one in zip(order.places, drawn["limiting"], strict=True)
        ),
    )


def _curve(encoded: str) -> NDArray[np.float64]:
    return np.frombuffer(b64decode(encoded, validate=True), "<i2") / 100


def _stretches(release: FinishedRelease, order: DiscOrder) -> Iterator[CurveSegment]:
    """Measure the curves again, passage by passage as the build did."""
    drawn = drawn_from(release)
    if drawn is True:
        starts = [passage.start_frame for passage in order.passages]
        edges = [*([0] if order.hidden else []), *starts, order.frames]
        passages = [region_of_image(release, order.number, *span) for span in pairwise(edges)]
        start_s = order.pause_in_image_frames / FRAMES_PER_SECOND
        yield CurveSegment(start_s, _curves(passages))
        return
    assert isinstance(drawn, str)
    for place in order.places:
        curves = _curves([in_format(release, drawn, place.index)])
        yield CurveSegment(place.start_frame / FRAMES_PER_SECOND, curves)


def _curves(passages: Sequence[Samples]) -> Curves:
    position, steps, rate_hz = 0, [], passages[0].rate_hz
    for passage in passages:
        pcm = passage.pcm(0, passage.length)
        steps.append(steps_of(pcm, rate_hz, passage.bits, lead_after(position, rate_hz)))
        position += passage.length
    return curves_of(steps, rate_hz)
