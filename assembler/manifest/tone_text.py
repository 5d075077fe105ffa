"""EQ bands and compressors as text."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from assembler.manifest.tone import Band
from assembler.text import signed_db


def compressor_text(values: Mapping[str, float | None]) -> str:
    """Write a compressor's settings.

    Examples
    --------
    >>> compressor_text({"threshold": -18, "ratio": 2, "attack": 30, "release": 200, "mix": 50})
    'threshold −18.00 dB, 2:1, attack 30 ms, release 200 ms, mix 50 %'
    """
    kinds = {
        "ratio": "{:g}:1",
        "attack": "attack {:g} ms",
        "release": "release {:g} ms",
        "knee": "knee {:g} dB",
        "mix": "mix {:g} %",
        "sidechain_high_pass": "sidechain from {:g} Hz",
    }
    texts = [kind.format(values[key]) for key, kind in kinds.items() if values.get(key) is not None]
    return ", ".join([f"threshold {signed_db(values['threshold'] or 0.0)}", *texts])


def band_text(band: Band | Mapping[str, Any]) -> str:
    """Write an equaliser band.

    Examples
    --------
    >>> band_text({"shape": "bell", "hz": 2800.0, "db": -1.5, "q": 1.2})
    'bell 2800 Hz −1.50 dB q 1.2'
    """
    values = band.model_dump() if isinstance(band, Band) else band
    texts = [str(values["shape"]).replace("_", " "), f"{values['hz']:g} Hz"]
    if values.get("db") is not None:
        texts.append(signed_db(values["db"]))
    if values.get("q") is not None:
        texts.append(f"q {values['q']:g}")
    if values.get("slope") is not None:
        texts.append(f"{values['slope']} dB/octave")
    if values.get("on") in ("mid", "side"):
        texts.append(f"on the {values['on']}")
    if dynamic := values.get("dynamic"):
        texts.append(f"at most, dynamic: {compressor_text(dynamic)}")
    return " ".join(texts)
