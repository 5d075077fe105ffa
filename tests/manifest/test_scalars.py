"""Every scalar of a manifest stays text until its field decides its type (YAML 1.1 and 1.2 guess:
"the Norway problem"); dates by ISO 8601, calendar dates."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from manifest.kinds import Loading, Refusing

SHORT = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}
tracks:
  - title: TITLE
    audio: a.wav
"""


@pytest.mark.parametrize(
    "title",
    [
        "No",
        "yes",
        "off",
        "true",
        "1999",
        "007",
        "0x10",
        "0o17",
        "1_000",
        "1e3",
        ".inf",
        "3:10",
        "3:10:00",
        "null",
        "Null",
        "~",
        "2027-04-16",
        "=",
        "<<",
        "12.50",
        "+1",
    ],
)
def test_a_plain_title_keeps_its_characters(loaded: Loading, title: str) -> None:
    manifest = loaded(SHORT.replace("TITLE", title)).manifest
    assert manifest.tracks[0].title == title


@settings(deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.text(st.characters(exclude_categories=["Cc", "Cs", "Cn", "Zl", "Zp"]), min_size=1).filter(
        str.strip
    )
)
def test_any_line_of_text_stays_whole(loaded: Loading, title: str) -> None:
    tree = {
        "release": {"artist": "Halden Ferry Singers", "title": title},
        "tracks": [{"title": title, "audio": "a.wav", "composers": [title]}],
    }
    manifest = loaded(yaml.safe_dump(tree, allow_unicode=True)).manifest
    assert manifest.release.title == title.strip()
    assert manifest.tracks[0].title == title.strip()
    assert manifest.tracks[0].composers == (title.strip(),)


@pytest.mark.parametrize("written", ["036000291452", '"036000291452"', "036000-291452"])
def test_a_barcode_keeps_its_leading_zero(loaded: Loading, written: str) -> None:
    text = SHORT.replace("Water}", f"Water, barcode: {written}}}")
    assert loaded(text).manifest.release.barcode == "036000291452"


@pytest.mark.parametrize("date", ["1991", "1991-05", "1991-05-23", "2024-02-29", "0001-01-01"])
def test_dates_of_three_kinds(loaded: Loading, date: str) -> None:
    text = SHORT.replace("Water}", f"Water, release_date: {date}}}")
    text += f"    recorded: {date}\n"
    manifest = loaded(text).manifest
    assert (manifest.release.release_date, manifest.tracks[0].recorded) == (date, date)


@pytest.mark.parametrize(
    "date",
    [
        "91",
        "1991-13",
        "1991-00",
        "1991-05-32",
        "2023-02-29",
        "2027-4-16",
        "16.4.2027",
        "2027/04/16",
        "April 2027",
        "2027-04-16T12:00",
        "0000",
        "-1991",
        "٢٠٢٧",
    ],
)
def test_what_is_not_a_date_is_refused(refused: Refusing, date: str) -> None:
    (finding,) = refused(SHORT + f"    recorded: {json.dumps(date)}\n")
    assert (finding.code, finding.where, finding.line) == ("bad-date", "tracks[0].recorded", 5)
    assert "1991-05-23" in finding.message


def test_a_time_is_a_time_only_where_a_time_belongs(loaded: Loading) -> None:
    text = SHORT.replace("TITLE", "4:12") + "    end: 4:12\n    comment: 4:12\n"
    (track,) = loaded(text).manifest.tracks
    assert (track.title, track.end, track.comment) == ("4:12", Fraction(252), "4:12")


@pytest.mark.parametrize(
    ("written", "level"), [("-14", -14.0), ("-14.0", -14.0), ("−9.5", -9.5), ("'-23'", -23.0)]
)
def test_levels_are_numbers_however_written(loaded: Loading, written: str, level: float) -> None:
    text = SHORT + f"level: {{target: {written}}}\n"
    assert loaded(text).manifest.level.target == level


def test_paragraphs_keep_their_lines(loaded: Loading) -> None:
    text = SHORT + "    lyrics: |\n      Low lantern,\n\n      low water.\n"
    assert loaded(text).manifest.tracks[0].lyrics == "Low lantern,\n\nlow water."


def test_one_name_needs_no_list(loaded: Loading) -> None:
    text = SHORT + "    composers: Ines Falk\n"
    assert loaded(text).manifest.tracks[0].composers == ("Ines Falk",)


@pytest.mark.parametrize("key", ["isrc", "barcode", "release_date", "recorded", "composers", "gap"])
def test_an_empty_key_has_no_value(loaded: Loading, key: str) -> None:
    in_release = key in ("barcode", "release_date")
    text = SHORT.replace("Water}", f"Water, {key}: }}") if in_release else SHORT + f"    {key}:\n"
    manifest = loaded(text).manifest
    part = manifest.release if in_release else manifest.tracks[0]
    assert not getattr(part, key)


def test_a_manifest_is_frozen(loaded: Loading) -> None:
    manifest = loaded(SHORT).manifest
    with pytest.raises(ValueError, match="frozen"):
        manifest.release.title = "Another"
