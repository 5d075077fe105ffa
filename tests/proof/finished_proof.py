"""Proofs for tests: of a finished release that lies on disk, and of releases that are made up."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from assembler.file_names import track_file_name
from assembler.findings import Finding
from assembler.manifest import Manifest, load
from assembler.metadata import TrackMetadata, track_metadata
from assembler.proof.content import (
    CurveSegment,
    Delivered,
    GainReductionCurve,
    Proof,
    ProofDisc,
    ProofTrack,
    SourceSection,
)
from assembler.proof.curves import Curves, curves_of, steps_of
from assembler.sequence import DiscOrder, Passage, TrackPlace, TrackSound, lay_out
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.sheets.credits_sheet import credits_sheet

HOSTILE = "<img src=x onerror=alert(1)>"
LIMITED_DB = np.maximum(0.0, 2.5 * np.sin(np.arange(200) / 9))
"""The limiter's course over the first 20 s of each track of a proof that is made up."""
A_HASH = hashlib.sha256(b"slack water").hexdigest()


def finished_proof(folder: Path) -> Proof:
    """Fill a proof from a finished release with one disc."""
    report = json.loads((folder / "report.json").read_text(encoding="utf-8"))
    manifest = load(folder / "manifest.yaml").manifest
    order = _order(report, manifest)
    words = track_metadata(manifest, [order])
    image = folder / "disc" / f"{report['name']}.wav"
    curves = curves_of([steps_of(image_words(image), DISC_RATE_HZ, 16)], DISC_RATE_HZ)
    return Proof(
        name=report["name"],
        proof_of=hashlib.sha256(image.read_bytes()).hexdigest(),
        sheet=credits_sheet(manifest, words),
        tracks=tuple(_track(w, t) for w, t in zip(words, report["tracks"], strict=True)),
        discs=(
            ProofDisc(
                order,
                (CurveSegment(0.0, curves),),
                limit_frames=report["disc"]["limit_frames"],
                target_lufs=report["level"]["disc"]["target"],
            ),
        ),
        findings=tuple(Finding(**finding) for finding in report["findings"]),
        cover="download/cover.jpg" if (folder / "download" / "cover.jpg").exists() else None,
    )


def image_words(path: Path) -> Iterator[NDArray[np.int32]]:
    """Read a 16-bit image in blocks, as a build hands its words on."""
    with soundfile.SoundFile(path) as file:
        while len(block := file.read(1 << 17, dtype="int16", always_2d=True)):
            yield block.astype(np.int32)


def _order(report: dict[str, Any], manifest: Manifest) -> DiscOrder:
    places = [
        TrackPlace(
            index=index,
            number=track["number"],
            gap_frames=track["gap_frames"],
            start_frame=track["start_frame"],
            end_frame=track["start_frame"] + track["frames"],
            pause_start_frame=track["indexes"].get("00"),
            further_frames=tuple(f for n, f in track["indexes"].items() if int(n) > 1),
        )
        for index, track in enumerate(report["tracks"])
    ]
    passages = tuple(Passage((place,), place.start_frame, place.frames) for place in places)
    sounds = tuple(
        TrackSound(place.frames * 588, Fraction(0), overlap_s=track.overlap or Fraction(0))
        for place, track in zip(places, manifest.tracks, strict=True)
    )
    disc = report["disc"]
    hidden = Passage((), 0, disc["hidden_frames"]) if disc["hidden_frames"] else None
    return DiscOrder(
        1,
        passages,
        disc["opening_pause_frames"],
        disc["frames"],
        hidden,
        disc["tail_frames"],
        sounds,
    )


def _track(words: TrackMetadata, track: dict[str, Any]) -> ProofTrack:
    source, rate_hz = track["source"], track["source"]["sample_rate_hz"]
    section = SourceSection(
        files=tuple(source["files"]),
        rate_hz=rate_hz,
        start_s=source["start_sample"] / rate_hz,
        end_s=source["end_sample"] / rate_hz,
    )
    limiting = track["limiting"]
    delivered = {
        kind: Delivered(
            integrated_lufs=track[kind]["integrated_lufs"],
            range_lu=track[kind]["loudness_range_lu"],
            true_peak_dbtp=track[kind]["true_peak_dbtp"],
            gain_db=track[kind]["gain_db"],
            most_limiting_db=limiting["most_db"],
            limited_at_s=limiting["at_s"],
            share_above_1_db=limiting["share_above_1_db"],
            share_above_3_db=limiting["share_above_3_db"],
        )
        for kind in ("disc", "download")
    }
    stem = track_file_name(words.title, words.number, words.disc, words.of_discs)
    return ProofTrack(words, section, delivered, f"download/mp3-320/{stem}.mp3")


def made_up_proof(
    titles: Sequence[str],
    *,
    length_s: float = 240.0,
    gap_s: float = 2.0,
    manifest: dict[str, Any] | None = None,
    silent: bool = False,
    **changes: Any,
) -> Proof:
    """Make up a proof of tracks of one length, with noise for their sound."""
    content = {
        "release": {"artist": "Halden Ferry Singers", "title": "Songs for Slack Water"},
        "tracks": [{"title": title, "audio": f"audio/{n}.wav"} for n, title in enumerate(titles)],
        **(manifest or {}),
    }
    model = Manifest.model_validate(content)
    sounds = [TrackSound(round(length_s * 44100), Fraction(gap_s)) for _ in titles]
    (order,) = lay_out(sounds)
    words = track_metadata(model, [order])
    level = None if silent else -14.0
    delivered = Delivered(level, level and 7.5, level and -1.0, 3.2, 1.5, length_s / 3, 0.2, 0.0)
    proof = Proof(
        name="TWE-015",
        proof_of=A_HASH,
        sheet=credits_sheet(model, words),
        tracks=tuple(
            ProofTrack(
                w,
                SourceSection((f"audio/{w.number}.wav",), 44100, 0.0, length_s),
                {"disc": delivered},
            )
            for w in words
        ),
        discs=(
            ProofDisc(
                order,
                (CurveSegment(0.0, _made_up_curves(order, silent)),),
                359775,
                target_lufs=-14.0,
                limiting=tuple(
                    GainReductionCurve(place.start_frame / 75, LIMITED_DB) for place in order.places
                ),
            ),
        ),
        has_clips=False,
    )
    return replace(proof, **changes)


def _made_up_curves(order: DiscOrder, silent: bool) -> Curves:
    steps = round(order.frames / 7.5)
    if silent:
        nothing = np.full(steps, -120.0)
        return Curves(nothing, nothing, nothing)
    random = np.random.default_rng(14)
    average = -18 + 4 * np.sin(np.arange(steps) / 170) + random.normal(0, 1.5, steps)
    return Curves(np.minimum(average + 11, -1.0), average, average + 2)
