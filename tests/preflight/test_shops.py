"""`check --for shops`: the published rules as findings, one by one, with the owner of each rule.

Rules as read on public pages: Apple's music style guide, UnitedMasters, RB Studios, LabelGrid,
iMusician, Ingrooves, Ditto, LabelCaster, Boomkit, CollabHouse, Audiomaze, Sundesire, PPL.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from desk import Desk, contents, hum
from PIL import Image

RATE_HZ = 44100
RELEASE = {
    "artist": "Halden Ferry Singers", "title": "Songs for Slack Water", "catalogue_number": "T-1",
    "release_date": "2027-04-16", "genre": "Choral", "barcode": "2000000000145",
    "p_line": "2027 Tidewrack", "language": "en", "advisory": "none", "front_cover": "front.jpg",
}  # fmt: skip
TRACK = {
    "title": "Low Lantern", "audio": "a.wav", "isrc": "AA-6Q7-27-00001", "composers": ["Ines Falk"],
    "lyricists": ["Oda Brenn"], "iswc": "T-999.999.999-4", "recording_country": "NO",
}  # fmt: skip
Shops = Callable[..., list[dict[str, Any]]]


def a_cover(folder: Path, width: int = 3000, height: int | None = None) -> None:
    Image.new("RGB", (width, height or width), "white").save(folder / "front.jpg")


@pytest.fixture
def shops(desk: Desk) -> Shops:
    """Return the findings of a release whose tracks differ from `TRACK`."""
    soundfile.write(desk.folder / "a.wav", hum(8, RATE_HZ), RATE_HZ)
    a_cover(desk.folder)

    def check(
        *tracks: dict[str, Any], release: dict[str, Any] | None = None, more: str = ""
    ) -> list[dict[str, Any]]:
        every = [
            TRACK | {"isrc": f"AA-6Q7-27-{n:05d}"} | own for n, own in enumerate(tracks or ({},), 1)
        ]
        path = desk.write(_as_yaml(RELEASE | (release or {}), every) + more)
        before = contents(desk.folder)
        code, document = desk.json("check", path, "--for", "shops")
        assert contents(desk.folder) == before
        assert code == (0 if document["ok"] else 1)
        assert document["ok"] is not any(f["severity"] == "error" for f in document["findings"])
        found: list[dict[str, Any]] = document["findings"]
        return found

    return check


def _as_yaml(release: dict[str, Any], tracks: list[dict[str, Any]]) -> str:
    def pairs(part: dict[str, Any]) -> str:
        return ", ".join(
            f"{key}: {_value(value)}" for key, value in part.items() if value is not None
        )

    lines = "".join(f"  - {{{pairs(track)}}}\n" for track in tracks)
    return f"release: {{{pairs(release)}}}\ndisc: {{make: false}}\ntracks:\n{lines}"


def _value(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key}: {_value(one)}' for key, one in value.items())}}}"
    return str(value).lower() if isinstance(value, bool) else f'"{value}"'


def codes(findings: list[dict[str, Any]]) -> set[tuple[str, str, str]]:
    return {(f["severity"], f["code"], f["where"]) for f in findings}


def test_a_release_that_has_everything_is_ready(shops: Shops) -> None:
    assert shops() == []
    assert shops({}, {"lyricists": None, "instrumental": True}) == []


def test_without_the_option_none_of_these_is_a_finding(shops: Shops, desk: Desk) -> None:
    shops({"lyricists": None, "title": "Low Lantern (live)"}, release={"advisory": None})
    code, document = desk.json("check", desk.folder / "songs.yaml")
    assert (code, document["findings"]) == (0, [])


TITLES = [
    ({"title": "Low Lantern (feat. Jorun Hald)"}, "warning", "featured-in-title", "title", "Apple"),
    ({"title": "Low Lantern ft. Jorun Hald"}, "warning", "featured-in-title", "title", "Apple"),
    ({"title": "Low Lantern (with Jorun Hald)"}, "warning", "featured-in-title", "title", "Apple"),
    ({"artist": "Tove Lind feat. Jorun Hald"}, "warning", "featured-in-artist", "artist", "Apple"),
    ({"title": "Low Lantern (Live)"}, "warning", "version-in-title", "title", "Apple"),
    ({"title": "Low Lantern - 2027 Remaster"}, "warning", "version-in-title", "title", "Apple"),
    ({"title": "Low Lantern [Explicit]"}, "error", "advisory-in-title", "title", "UnitedMasters"),
    ({"version": "clean"}, "error", "advisory-in-title", "version", "RB Studios"),
    ({"title": "Clean Hands"}, "warning", "advisory-in-title", "title", "RB Studios"),
]  # fmt: skip


@pytest.mark.parametrize(("own", "severity", "code", "key", "owner"), TITLES)
def test_titles(
    own: dict[str, Any], severity: str, code: str, key: str, owner: str, shops: Shops
) -> None:
    (finding,) = shops({}, own)
    assert codes([finding]) == {(severity, code, f"tracks[1].{key}")}
    assert owner in finding["message"]
    assert finding["line"] == 5


@pytest.mark.parametrize(
    "own",
    [
        {"title": "Low Lantern", "featuring": ["Jorun Hald"], "version": "live"},
        {"title": "Dancing with the Tide"},
        {"title": "Live to Sail"},
        {"title": "Cleaning the Hull"},
        {"title": "Raft Song"},
        {"title": "The Mixing of Waters"},
    ],
)
def test_titles_that_are_as_they_should_be(own: dict[str, Any], shops: Shops) -> None:
    assert shops(own) == []


MISSING = [
    ("composers", "error", "no-composer", "several distributors"),
    ("lyricists", "error", "no-lyricist", "several distributors"),
    ("iswc", "note", "no-iswc", "LabelGrid"),
    ("recording_country", "note", "no-recording-country", "PPL"),
]
MISSING_IN_RELEASE = [
    ("language", "warning", "no-language", "RB Studios"),
    ("advisory", "warning", "no-advisory", "RB Studios"),
    ("p_line", "note", "no-p-line", "PPL"),
]


@pytest.mark.parametrize(("key", "severity", "code", "owner"), MISSING)
def test_what_tracks_lack_is_one_finding_with_their_numbers(
    key: str, severity: str, code: str, owner: str, shops: Shops
) -> None:
    (finding,) = shops({key: None}, {}, {key: None}, {key: None}, {key: None})
    assert codes([finding]) == {(severity, code, f"tracks[0].{key}")}
    assert finding["message"].startswith("tracks 1, 3–5: ")
    assert owner in finding["message"]


@pytest.mark.parametrize(("key", "severity", "code", "owner"), MISSING_IN_RELEASE)
def test_what_the_release_may_say_for_all_tracks(
    key: str, severity: str, code: str, owner: str, shops: Shops
) -> None:
    own = {"language": "en", "advisory": "none", "p_line": "2027 Tidewrack"}
    (finding,) = shops({}, {key: own[key]}, release={key: None})
    assert codes([finding]) == {(severity, code, f"tracks[0].{key}")}
    assert finding["message"].startswith("track 1: ")
    assert owner in finding["message"]


def test_a_release_without_a_date(shops: Shops) -> None:
    assert codes(shops(release={"release_date": None})) == {
        ("warning", "no-release-date", "release")
    }


@pytest.mark.parametrize("own", [{"instrumental": True}, {"language": "zxx"}])
def test_an_instrumental_needs_neither_lyricist_nor_advisory(
    own: dict[str, Any], shops: Shops
) -> None:
    assert shops({"lyricists": None, **own}, release={"advisory": None, "language": None}) == []


@pytest.mark.parametrize(
    ("own", "found"),
    [
        ({"remixers": ["Kari Nymoen"]}, False),
        ({"remixers": ["Halden Ferry Singers"]}, True),
        ({"remixers": ["Jorun Hald"], "featuring": ["Jorun Hald"]}, True),
        ({"remixers": ["Tove Lind"], "artist": "Tove Lind"}, True),
    ],
)
def test_a_remixer_is_not_also_primary_or_featured(
    own: dict[str, Any], found: bool, shops: Shops
) -> None:
    expected = {("warning", "remixer-is-artist", "tracks[0].remixers")} if found else set()
    assert codes(shops(own)) == expected


def test_a_remixer_in_the_credits_counts_too(shops: Shops) -> None:
    credits = "credits: [{name: Halden Ferry Singers, roles: [Remix], tracks: [2]}]\n"
    assert codes(shops({}, {}, more=credits)) == {
        ("warning", "remixer-is-artist", "tracks[1].remixers")
    }


def test_the_title_of_the_release(shops: Shops) -> None:
    assert codes(shops(release={"title": "Slack Water (Explicit)"})) == {
        ("error", "advisory-in-title", "release.title")
    }


@pytest.mark.parametrize(
    ("count", "release", "severity"),
    [
        (3, {}, None),
        (4, {}, "note"),
        (4, {"compilation": False}, "error"),
        (4, {"artist": "Various Artists"}, None),
    ],
)
def test_four_primary_artists(
    count: int, release: dict[str, Any], severity: str | None, shops: Shops
) -> None:
    found = codes(shops(*({"artist": f"Singer {n}"} for n in range(count)), release=release))
    assert found == ({(severity, "various-artists", "release.artist")} if severity else set())


@pytest.mark.parametrize(
    ("size", "code", "severity"),
    [
        ((3000, 3000), None, None),
        ((2999, 2999), "small-cover", "error"),
        ((3200, 3000), "cover-not-square", "error"),
        ((6001, 6001), "large-cover", "warning"),
    ],
)
def test_the_cover(
    size: tuple[int, int], code: str | None, severity: str | None, shops: Shops, desk: Desk
) -> None:
    a_cover(desk.folder, *size)
    assert codes(shops()) == ({(severity, code, "release.front_cover")} if code else set())


def test_a_small_back_cover_is_no_matter_for_shops(shops: Shops, desk: Desk) -> None:
    Image.new("RGB", (1500, 1500), "white").save(desk.folder / "back.png")
    assert codes(shops(release={"back_cover": "back.png"})) == {
        ("note", "small-cover", "release.back_cover")
    }


def test_no_cover_is_refused(shops: Shops) -> None:
    assert codes(shops(release={"front_cover": None})) == {("error", "no-cover", "release")}


@pytest.mark.parametrize(
    ("silent_s", "own", "code", "severity"),
    [
        (3, {"fade_out": 2}, None, None),
        (6, {}, None, None),
        (6, {"fade_out": 2}, "silence-after-fade", "warning"),
        (11, {"fade_out": 2}, "long-silence", "error"),
        (11, {}, "long-silence", "error"),
    ],
)
def test_silence_at_the_end(
    silent_s: int, own: dict[str, Any], code: str | None, severity: str | None, shops: Shops,
    desk: Desk,
) -> None:  # fmt: skip
    sound = np.concatenate((hum(8, RATE_HZ), np.zeros(silent_s * RATE_HZ)))
    soundfile.write(desk.folder / "a.wav", sound, RATE_HZ)
    assert codes(shops(own)) == ({(severity, code, "tracks[0]")} if code else set())


def test_the_gap_after_a_fade_counts(shops: Shops) -> None:
    assert codes(shops({"fade_out": 2}, {"gap": 6})) == {
        ("warning", "silence-after-fade", "tracks[0]")
    }


def test_one_rate_for_all_files(shops: Shops, desk: Desk) -> None:
    soundfile.write(desk.folder / "b.wav", hum(8, 48000), 48000)
    found = shops({}, {"audio": "b.wav"}, more="download: {formats: [flac-24]}\n")
    assert codes(found) == {("error", "mixed-rates", "download.formats")}
    assert shops({}, {"audio": "b.wav"}, more="download: {formats: [flac-24], rate: 44100}\n") == []


@pytest.mark.parametrize(("rate_hz", "found"), [(44100, False), (88200, True), (96000, False)])
def test_rates_that_a_shop_takes(rate_hz: int, found: bool, shops: Shops, desk: Desk) -> None:
    soundfile.write(desk.folder / "b.wav", hum(8, rate_hz), rate_hz)
    more = "download: {formats: [flac-16, flac-24]}\n"
    expected = {("warning", "unusual-rate", "download.formats[1]")} if found else set()
    assert codes(shops({"audio": "b.wav"}, more=more)) == expected


def test_peaks(shops: Shops) -> None:
    (finding,) = shops(more="level: {ceiling: -0.2}\n")
    assert codes([finding]) == {("warning", "high-ceiling", "level.ceiling")}
    assert "−0.2 dBTP" in finding["message"]
    assert shops(more="level: {ceiling: -0.3}\n") == []


def test_an_isrc_that_an_edit_uses_again(shops: Shops) -> None:
    edit = {"isrc": "AA-6Q7-27-00001", "version": "radio edit", "end": 5}
    (finding,) = shops({}, edit)
    assert codes([finding]) == {("error", "duplicate-isrc", "tracks[1].isrc")}
    assert "so has an edit" in finding["message"]


def test_a_wrong_value_is_not_called_missing_too(shops: Shops) -> None:
    (finding,) = shops({"iswc": "T-999.999.999-5"})
    assert finding["code"] == "bad-iswc"


def test_the_verdict_in_words(desk: Desk, shops: Shops) -> None:
    shops({"lyricists": None})
    path = desk.folder / "songs.yaml"
    code, out, _ = desk.run("check", path, "--for", "shops")
    assert code == 1
    assert "not yet ready for shops (1 error)" in " ".join(out.split())
    code, out, _ = desk.run("check", path)
    assert code == 0
    assert "ready to build" in " ".join(out.split())


CLASHES = [
    ({"instrumental": True, "language": "en"}, "error", "instrumental-with-language", "language"),
    ({"instrumental": True, "lyrics": "Low"}, "error", "instrumental-with-lyrics", "lyrics"),
    ({"language": "zxx", "lyrics": "Low"}, "error", "instrumental-with-lyrics", "lyrics"),
    ({"instrumental": True, "advisory": "explicit"}, "warning", "instrumental-with-advisory",
     "advisory"),
    ({"publisher": "A", "publishers": ["B"]}, "error", "two-publishers", "publisher"),
    ({"movement": "Ropewalk"}, "warning", "movement-without-work", "movement"),
    ({"writers_ipi": [{"name": "Kari Nymoen", "ipi": "99999999821"}]}, "warning",
     "ipi-without-writer", "writers_ipi[0]"),
    ({"original_release_date": "2028"}, "error", "original-after-release", "original_release_date"),
    ({"title": "To Jorun Hald", "featuring": ["Jorun Hald"]}, "warning", "featured-twice", "title"),
]  # fmt: skip


@pytest.mark.parametrize(("own", "severity", "code", "key"), CLASHES)
def test_details_that_contradict_each_other(
    own: dict[str, Any], severity: str, code: str, key: str, shops: Shops, desk: Desk
) -> None:
    """Every check finds these, also without `--for shops`."""
    shops(own)
    _, document = desk.json("check", desk.folder / "songs.yaml")
    assert codes(document["findings"]) == {(severity, code, f"tracks[0].{key}")}


@pytest.mark.parametrize("first", ["2027", "2027-04", "2027-04-16", "1994", "1994-05-02"])
def test_first_releases_that_fit(first: str, shops: Shops) -> None:
    assert shops({"original_release_date": first}, release={"original_release_date": first}) == []
