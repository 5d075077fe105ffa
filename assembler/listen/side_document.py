"""What the page shows of each tape side, as plain data."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import yaml

from assembler.listen.measured_sides import MeasuredSide, MeasuredSides
from assembler.listen.tone_fields import side_tone_json
from assembler.manifest.edit_text import content_at
from assembler.manifest.transfers import Transfer
from assembler.preflight.check import CheckReport
from assembler.restoration.restoration_report import done_text, unresolved_reasons
from assembler.restoration.split.confidence import level_of

_MEASURED = ("dc", "dropouts")
"""Steps that do nothing until the side is measured, and say so of no side before."""


def sides_json(report: CheckReport, measured: MeasuredSides) -> list[dict[str, Any]]:
    """Return the sides of a manifest with what is measured of them so far.

    Parameters
    ----------
    report
        The check.
    measured
        Measures the sides in the background.
    """
    manifest = report.source.manifest
    found = []
    for number, (name, transfer) in enumerate(manifest.transfers.items(), 1):
        side = measured.side(name)
        tracks = [i for i, track in enumerate(manifest.tracks) if track.side == name]
        one = {"number": number, "name": name, "tracks": tracks, "waveform": 0.0, "error": ""}
        written = content_at(report.source.text, ("transfers", name, "restoration"))
        one["restoration"] = written if isinstance(written, dict) else {}
        one |= {key: getattr(transfer, key) for key in ("played", "recorded", "tape_speed")}
        one["tone"] = side_tone_json(transfer)
        found.append({**one, **(_measured(name, transfer, side, measured) if side else {})})
    return found


def _measured(
    name: str, transfer: Transfer, side: MeasuredSide, sides: MeasuredSides
) -> dict[str, Any]:
    recording, resolved = side.recording, sides.steps(name)
    return {
        "rate_hz": recording.rate_hz,
        "length_s": recording.frames / recording.rate_hz,
        "factor": float(resolved.factor),
        "waveform": round(side.peaks.share_read, 3) if side.peaks else 0.0,
        "measured": side.survey is not None,
        "error": side.error,
        "steps": [
            {"step": step, "does": done_text(step, value, transfer)}
            for step, value in resolved.values().items()
            if side.condition or step not in _MEASURED
        ],
        "unresolved": unresolved_reasons(transfer, resolved, side.condition)
        if side.condition
        else {},
        "faults": [_fault(one) for one in (side.survey or {}).get("findings", ())],
        "noise_alone_s": (side.survey or {}).get("noise_alone_s"),
        "proposal": _proposal(side.proposal) if side.proposal else None,
    }


def _fault(finding: Mapping[str, Any]) -> dict[str, Any]:
    """Return a fault with the settings that repair it, by their place below the side."""
    line = finding.get("restoration")
    settings = dict(_places(yaml.load(line, yaml.BaseLoader), "restoration")) if line else {}
    return {
        "code": finding["code"],
        "measured": finding["measured"],
        "remedy": finding["remedy"],
        "settings": settings,
    }


def _places(content: Any, place: str) -> Iterator[tuple[str, str]]:
    if isinstance(content, dict):
        for key, value in content.items():
            yield from _places(value, f"{place}.{key}")
    else:
        yield place, str(content)


def _proposal(found: Mapping[str, Any]) -> dict[str, Any]:
    def cut(at_s: float, one: Mapping[str, Any]) -> dict[str, Any]:
        return {
            "at_s": at_s,
            "confidence": one["confidence"],
            "level": level_of(one["confidence"]),
            "why": one["why"],
        }

    return {
        "songs": [
            {"start": cut(song["start_s"], song["begin"]), "end": cut(song["end_s"], song["end"])}
            for song in found["songs"]
        ],
        "remarks": found["remarks"],
    }
