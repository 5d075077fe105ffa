"""What can be wrong with a disc: overlaps, index points, pauses, hidden sound, texts, codes.

99 tracks, 99 indexes, 4 s and 2 s: IEC 60908 (from memory) and ECMA-130; ISRC: ISO 3901:2019; 80
characters of ISO 8859-1 a text: common practice, no source.
"""

from __future__ import annotations

import re

import pytest
from desk import MANIFEST, Desk, contents, hum

THREE = MANIFEST + "  - title: Ebb\n    audio: a.wav\n"


def with_keys(first: str = "", second: str = "", third: str = "") -> str:
    """Return a manifest of three tracks of 5 s with more lines each."""
    parts = THREE.split("  - title: ")
    more = ("", first, second, third)
    return "  - title: ".join(
        part + "".join(f"    {line}\n" for line in lines.splitlines())
        for part, lines in zip(parts, more, strict=True)
    )


def with_disc(lines: str, text: str = THREE) -> str:
    return text.replace("download:", f"disc:\n  {lines}\ndownload:")


def with_release(line: str, text: str = THREE) -> str:
    return text.replace("download:", f"  {line}\ndownload:")


@pytest.mark.parametrize("length", ["5", "5.5", "0:59.9"])
def test_an_overlap_as_long_as_the_track_before(desk: Desk, length: str) -> None:
    desk.sound("b.wav", hum(70))
    error = desk.refused(
        with_keys(second=f"overlap: {length}"),
        "overlap-too-long",
        at="overlap",
        where="tracks[1].overlap",
    )
    assert "the track before (0:05)" in error["message"]


def test_an_overlap_longer_than_the_track_itself(desk: Desk) -> None:
    desk.sound("a.wav", hum(30))
    error = desk.refused(
        with_keys(second="overlap: 6"),
        "overlap-too-long",
        at="overlap: 6",
        where="tracks[1].overlap",
    )
    assert "the track (0:05)" in error["message"]


def test_an_overlap_as_long_as_the_track_without_a_disc(desk: Desk) -> None:
    """No track may be left without sound of its own in the download files either."""
    text = with_disc("make: false", with_keys(second="overlap: 5"))
    path = desk.write(text)
    code, document = desk.json("check", path)
    errors = {(f["code"], f["where"]) for f in document["findings"] if f["severity"] == "error"}
    assert (code, errors) == (1, {("overlap-too-long", "tracks[1].overlap")})


def test_two_overlaps_that_meet_in_a_track(desk: Desk) -> None:
    path = desk.write(with_keys(second="overlap: 2.5", third="overlap: 3"))
    code, document = desk.json("check", path)
    errors = [(f["code"], f["where"]) for f in document["findings"] if f["severity"] == "error"]
    assert code == 1
    assert set(errors) == {
        ("overlap-too-long", "tracks[1].overlap"),
        ("overlap-too-long", "tracks[2].overlap"),
    }


def test_an_overlap_of_more_than_a_minute(desk: Desk) -> None:
    desk.sound("a.wav", hum(200))
    desk.sound("b.wav", hum(200))
    error = desk.refused(
        with_keys(second="overlap: 1:01"), "overlap-too-long", at="1:01", where="tracks[1].overlap"
    )
    assert "60 s" in error["message"]


def test_an_overlap_on_the_first_track(desk: Desk) -> None:
    error = desk.refused(
        with_keys(first="overlap: 1"),
        "overlap-with-nothing",
        at="overlap",
        where="tracks[0].overlap",
    )
    assert "remove `overlap`" in error["message"]


def test_an_overlap_on_a_track_that_begins_a_disc(desk: Desk) -> None:
    text = with_keys(second="disc: 2\noverlap: 1")
    desk.refused(text, "overlap-with-nothing", at="overlap", where="tracks[1].overlap")


def test_a_gap_and_an_overlap(desk: Desk) -> None:
    text = with_keys(second="gap: 2\noverlap: 0.5")
    desk.refused(text, "gap-and-overlap", at="overlap", where="tracks[1].overlap")


def test_a_fade_in_in_an_overlap_is_a_warning(desk: Desk) -> None:
    text = with_keys(second="fade_in: 0.2\noverlap: 0.5")
    code, document = desk.json("check", desk.write(text))
    (found,) = [f for f in document["findings"] if f["code"] == "fade-in-overlap"]
    assert (code, found["severity"], found["where"]) == (0, "warning", "tracks[1].fade_in")


@pytest.mark.parametrize(
    ("indexes", "code", "number"),
    [
        ("[5]", "index-outside-track", 0),
        ("[1, 0:07]", "index-outside-track", 1),
        ("[4.99]", "index-outside-track", 0),
        ("[0]", "index-out-of-order", 0),
        ("[0.02]", "index-out-of-order", 0),
        ("[2, 1.5]", "index-out-of-order", 1),
        ("[1, 2, 2]", "index-out-of-order", 2),
        ("[1, 1.02]", "index-out-of-order", 1),
    ],
)
def test_index_points_outside_or_out_of_order(
    desk: Desk, indexes: str, code: str, number: int
) -> None:
    text = with_keys(second=f"indexes: {indexes}")
    where = f"tracks[1].indexes[{number}]"
    error = desk.refused(text, code, at="indexes", where=where)
    assert re.search(r"\d:\d\d\.\d\d", error["message"])


def test_an_index_point_in_the_overlap_that_belongs_to_the_next(desk: Desk) -> None:
    """Track 2 lasts 5 s, but track 3 begins 0.8 s before that: a point at 4.5 s is track 3's."""
    text = with_keys(second="indexes: [4.5]", third="overlap: 0.8")
    error = desk.refused(text, "index-outside-track", at="indexes", where="tracks[1].indexes[0]")
    assert "0:04.20" in error["message"]
    code, document = desk.json("check", desk.write(text.replace("[4.5]", "[4.17]")))
    assert code == 0
    assert document["tracks"][1]["indexes"]["02"] < document["tracks"][2]["start_frame"]


def test_99_index_points_are_one_too_many(desk: Desk) -> None:
    """Index 01 is the track's start, so that 02 to 99 are 98."""
    points = [f"{n * 0.05:.2f}" for n in range(1, 100)]
    text = with_keys(second=f"indexes: [{', '.join(points)}]")
    error = desk.refused(text, "too-many-indexes", at="indexes", where="tracks[1].indexes")
    assert "98" in error["message"]
    code, document = desk.json("check", desk.write(text.replace(f", {points[-1]}]", "]")))
    assert code == 0
    assert max(document["tracks"][1]["indexes"]) == "99"


@pytest.mark.parametrize("key", ["gap", "overlap"])
def test_a_negative_gap(desk: Desk, key: str) -> None:
    text = with_keys(second=f"{key}: -1.5")
    error = desk.refused(text, "bad-time", at="-1.5", where=f"tracks[1].{key}")
    if key == "gap":
        assert "overlap: …" in error["message"]


def test_a_track_1_pause_of_a_second(desk: Desk) -> None:
    error = desk.refused(
        with_keys(first="gap: 1"), "short-opening-pause", at="gap: 1", where="tracks[0].gap"
    )
    assert "2 s or more" in error["message"]


@pytest.mark.parametrize(("name", "code"), [("gone.wav", "missing-file"), ("songs.txt", None)])
def test_hidden_sound_without_a_sound_file(desk: Desk, name: str, code: str | None) -> None:
    (desk.folder / "songs.txt").write_text("Low Lantern\n")
    path = desk.write(with_disc(f"pregap_audio: {name}"))
    before = contents(desk.folder)
    exit_code, document = desk.json("build", path, "--out", desk.out)
    assert contents(desk.folder) == before
    (error,) = [f for f in document["findings"] if f["severity"] == "error"]
    assert exit_code == 1
    assert error["where"] == "disc.pregap_audio"
    assert "pregap_audio" in path.read_text().splitlines()[error["line"] - 1]
    assert code is None or error["code"] == code
    assert name in error["message"]


def test_hidden_sound_without_a_gap_after_it(desk: Desk) -> None:
    text = with_disc("pregap_audio: b.wav", with_keys(first="gap: 0"))
    error = desk.refused(text, "short-opening-pause", at="gap: 0", where="tracks[0].gap")
    assert "hidden" in error["message"]


def test_hidden_sound_so_long_that_the_disc_is_over(desk: Desk) -> None:
    """3 tracks of 5 s and 2 gaps are 19 s; 60 s of hidden sound and 2 s come before."""
    desk.sound("long.wav", hum(60))
    text = with_disc('limit: "1:00"\n  pregap_audio: long.wav')
    error = desk.refused(text, "over-disc-limit", at="limit", where="disc.limit")
    assert "runs 01:21:00, 00:21:00 over the limit" in error["message"]
    assert "leave out the hidden sound (01:02:00)" in error["message"]


GREEK = "Θάλασσα και " * 16 + "Θάλασσες"


def test_titles_of_200_characters_in_greek_are_transliterated(desk: Desk) -> None:
    assert len(GREEK) == 200
    code, document = desk.json("check", desk.write(MANIFEST.replace("Tide Table", GREEK)))
    found = [f for f in document["findings"] if f["code"] == "respelt-for-disc"]
    assert (code, [f["where"] for f in found]) == (0, ["tracks[1].title"])
    assert found[0]["severity"] == "warning"
    assert "cut to 80 characters" in found[0]["message"]
    spelt = re.search("`([^`]*)`", found[0]["message"])
    assert spelt is not None
    assert spelt[1].isascii()
    assert 70 <= len(spelt[1]) <= 80
    assert "Traceback" not in str(document)


def test_99_titles_of_200_characters_in_greek(desk: Desk) -> None:
    """99 titles of 80 characters and the disc's own, each with a NUL, are 670 packs of 12 bytes."""
    head = MANIFEST[: MANIFEST.index("tracks:")]
    rows = "".join(f"  - title: {n} {GREEK}\n    audio: a.wav\n" for n in range(1, 100))
    text = f"{head}tracks:\n{rows}"
    _, report = desk.json("check", desk.write(text))
    (finding,) = [f for f in report["findings"] if f["code"] == "cd-text-full"]
    assert (finding["severity"], finding["where"]) == ("warning", "tracks")
    assert "gets no CD-Text" in finding["message"]
    assert "253" in finding["message"]
    assert "shorten titles" in finding["message"]


@pytest.mark.parametrize(
    ("text", "named"), [("Θάλασσα", "Θ"), ("x" * 81, "80"), ('Say "Ahoy"', '"')]
)
def test_cd_text_that_cannot_be_encoded(desk: Desk, text: str, named: str) -> None:
    keys = with_keys(second=f"cd_text: {{title: '{text}'}}")
    error = desk.refused(keys, "bad-disc-text", at="cd_text", where="tracks[1].cd_text.title")
    assert named in error["message"]


def test_cd_text_of_80_characters_is_accepted(desk: Desk) -> None:
    text = with_keys(second=f"cd_text: {{title: {'ø' * 80}}}")
    assert desk.json("check", desk.write(text))[0] == 0


def test_two_tracks_with_one_isrc(desk: Desk) -> None:
    text = with_keys(first="isrc: AA-6Q7-27-00005", third="isrc: AA6Q72700005")
    error = desk.refused(text, "duplicate-isrc", at="AA6Q72700005", where="tracks[2].isrc")
    assert "track 1" in error["message"]


def test_an_isrc_range_that_is_used_up(desk: Desk) -> None:
    text = with_release("isrc: {prefix: AA6Q7, year: 27, first: 99999}")
    error = desk.refused(text, "isrc-range-spent", at="99999", where="release.isrc")
    assert "AA-6Q7-27-99999" in error["message"]
    assert "3 tracks" in error["message"]
    two = text.replace("99999", "99998")
    desk.refused(two, "isrc-range-spent", at="99998", where="release.isrc")
    code, document = desk.json("check", desk.write(text.replace("99999", "99997")))
    assert (code, document["tracks"][2]["isrc"]) == (0, "AA6Q72799999")


def test_an_isrc_range_skips_codes_in_use(desk: Desk) -> None:
    text = with_release(
        "isrc: {prefix: AA-6Q7, year: 27, first: 7}", with_keys(third="isrc: AA-6Q7-27-00008")
    )
    code, document = desk.json("check", desk.write(text))
    isrcs = [track["isrc"] for track in document["tracks"]]
    assert (code, isrcs) == (0, ["AA6Q72700007", "AA6Q72700009", "AA6Q72700008"])
    (found,) = [f for f in document["findings"] if f["code"] == "isrc-from-range"]
    assert (found["severity"], found["where"]) == ("note", "release.isrc")
    assert "track 1 AA-6Q7-27-00007, track 2 AA-6Q7-27-00009" in found["message"]
    assert "track 3" not in found["message"]


@pytest.mark.parametrize(
    ("keys", "code", "field"),
    [
        ("{prefix: A16Q7, year: 27}", "bad-isrc", "prefix"),
        ("{prefix: AA6Q, year: 27}", "bad-isrc", "prefix"),
        ("{prefix: AA6Q7X, year: 27}", "bad-isrc", "prefix"),
        ("{prefix: AA6Q7, year: 2027}", "bad-number", "year"),
        ("{prefix: AA6Q7, year: 27, first: 0}", "bad-number", "first"),
        ("{prefix: AA6Q7, year: 27, first: 100000}", "bad-number", "first"),
    ],
)
def test_an_isrc_range_in_a_wrong_format(desk: Desk, keys: str, code: str, field: str) -> None:
    text = with_release(f"isrc: {keys}")
    desk.refused(text, code, at="isrc:", where=f"release.isrc.{field}")


def test_pre_emphasis_is_flagged_with_a_warning(desk: Desk) -> None:
    code, document = desk.json("check", desk.write(with_keys(second="pre_emphasis: true")))
    (found,) = [f for f in document["findings"] if f["code"] == "pre-emphasis-flagged"]
    assert (code, found["severity"]) == (0, "warning")
    assert found["where"] == "tracks[1].pre_emphasis"
    assert "does not apply pre-emphasis" in found["message"]


def test_a_hundredth_track(desk: Desk) -> None:
    rows = "".join(f"  - title: Piece {n}\n    audio: a.wav\n" for n in range(1, 101))
    text = MANIFEST[: MANIFEST.index("tracks:")] + "tracks:\n" + rows
    error = desk.refused(text, "too-many-tracks", at="Piece 100", where="tracks[99]")
    assert "disc: 2" in error["message"]
