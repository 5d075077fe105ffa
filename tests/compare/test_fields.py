"""The fields of two manifests: values with their units."""

from __future__ import annotations

from typing import Any

from assembler.compare.fields import field_changes
from assembler.manifest import Track
from assembler.manifest.model import Release

COMPRESS = {"threshold": -18, "ratio": 2}


def changes(old: dict[str, Any], new: dict[str, Any]) -> list[str]:
    one, other = (
        Track.model_validate({"title": "Undertow", "audio": "a.wav", **keys}) for keys in (old, new)
    )
    return [f"{label}: {text}" for _, label, text in field_changes(one, other)]


def test_a_new_compressor_is_written_with_its_values_and_units() -> None:
    (text,) = changes({}, {"compress": COMPRESS | {"mix": 60}})  # defaults are left out
    assert text.endswith("threshold −18.00 dB, 2:1, mix 60 %")


def test_values_that_may_be_left_out_have_their_units() -> None:
    sidechain = {"compress": COMPRESS | {"sidechain_high_pass": 90}}
    (text,) = changes({"compress": COMPRESS}, sidechain)
    assert text.startswith("compress, sidechain high pass: ") and "90 Hz" in text
    (text,) = changes({"compress": COMPRESS}, {"compress": COMPRESS | {"mix": 60}})
    assert "100 %" in text and "60 %" in text
    (text,) = changes({"mono_below": 100}, {"mono_below": 120})
    assert "100 Hz" in text and "120 Hz" in text


def test_a_list_that_was_left_out_is_written_as_what_it_means() -> None:
    assert changes({}, {"on": ["disc"]}) == ["on: all editions → disc"]
    assert changes({"on": ["disc", "shop"]}, {}) == ["on: disc, shop → all editions"]
    assert changes({}, {"composers": ["Ines Falk"]}) == ["composers: none → Ines Falk"]
    old, new = (
        Release.model_validate({"title": "Songs", "artist": "Halden Ferry Singers", **keys})
        for keys in ({"territories": ["NO"]}, {})
    )
    assert [text for *_, text in field_changes(old, new)] == ["NO → the world"]
