"""Sections, fades, codes and the running order: ISO 3901, GS1 General Specifications, IEC 60908 (99
tracks, 4 s, 2 s of opening pause); the rest by common practice (from memory)."""

from __future__ import annotations

from fractions import Fraction

import pytest
from desk import MANIFEST, Desk, hum

from assembler.text import frames_text

LAST = "    audio: b.wav\n"


def with_second(*lines: str) -> str:
    """Return a manifest whose second track has more lines."""
    return MANIFEST + "".join(f"    {line}\n" for line in lines)


def many(count: int) -> str:
    """Return a manifest of that many tracks."""
    head = MANIFEST[: MANIFEST.index("tracks:")]
    tracks = "".join(f"  - title: Piece {n}\n    audio: a.wav\n" for n in range(1, count + 1))
    return f"{head}tracks:\n{tracks}"


def test_end_past_the_end(desk: Desk) -> None:
    text = with_second("end: 5.01")
    error = desk.refused(text, "section-past-end", at="end: 5.01", where="tracks[1].end")
    assert "0:05.01" in error["message"]
    assert "0:05.00" in error["message"]


def test_end_at_the_very_end_is_accepted(desk: Desk) -> None:
    code, document = desk.json("check", desk.write(with_second("end: 0:05.000")))
    assert (code, document["tracks"][1]["frames"]) == (0, 375)


def test_start_after_end(desk: Desk) -> None:
    text = with_second("start: 0:04.5", "end: 0:04")
    desk.refused(text, "empty-section", at="start: 0:04.5", where="tracks[1].start")


def test_start_past_the_recordings_end(desk: Desk) -> None:
    text = with_second("start: 1:00")
    error = desk.refused(text, "empty-section", at="start: 1:00", where="tracks[1].start")
    assert "0:05.00" in error["message"]


@pytest.mark.parametrize(
    ("lines", "key"),
    [
        (["fade_out: 5.5"], "fade_out"),
        (["fade_in: 6"], "fade_in"),
        (["fade_in: 3", "fade_out: 2.5"], "fade_out"),
        (["start: 0.5", "fade_in: 2.5", "fade_out: 2.5"], "fade_out"),
    ],
)
def test_fades_longer_than_the_track(desk: Desk, lines: list[str], key: str) -> None:
    desk.refused(with_second(*lines), "fade-too-long", at=key, where=f"tracks[1].{key}")


@pytest.mark.parametrize("hz", [4000, 4000.5, 20000])
def test_band_above_half_the_rate(desk: Desk, hz: float) -> None:
    text = with_second(f"equaliser: [{{shape: bell, hz: {hz}, db: 1}}]")
    error = desk.refused(text, "band-too-high", at="equaliser", where="tracks[1].equaliser[0].hz")
    assert "8000 Hz" in error["message"]


@pytest.mark.parametrize("key", ["gap", "start", "end", "fade_in", "fade_out"])
def test_negative_times(desk: Desk, key: str) -> None:
    desk.refused(with_second(f"{key}: -2"), "bad-time", at=f"{key}: -2", where=f"tracks[1].{key}")


def test_track_1_pause_of_a_second(desk: Desk) -> None:
    text = MANIFEST.replace("    audio: a.wav\n", "    audio: a.wav\n    gap: 1\n")
    error = desk.refused(text, "short-opening-pause", at="gap: 1", where="tracks[0].gap")
    assert "2 s" in error["message"]


def test_track_1_pause_of_a_second_disc(desk: Desk) -> None:
    text = with_second("disc: 2", "gap: 0")
    desk.refused(text, "short-opening-pause", at="gap: 0", where="tracks[1].gap")


def test_disc_number_left_out(desk: Desk) -> None:
    desk.refused(with_second("disc: 3"), "disc-out-of-order", at="disc: 3", where="tracks[1].disc")


def test_track_of_three_seconds(desk: Desk) -> None:
    text = with_second("end: 3")
    error = desk.refused(text, "track-too-short", at="Tide Table", where="tracks[1]")
    assert "3.00 s" in error["message"]
    assert "4 s" in error["message"]


def test_disc_number_on_every_track_of_a_disc(desk: Desk) -> None:
    """To repeat the number says no more than to write it where the disc begins."""
    third, fourth = (f"  - title: {name}\n    audio: a.wav\n" for name in ("Bell Buoy", "Undertow"))
    once = with_second("disc: 2") + third + "    gap: 3\n" + fourth
    each = with_second("disc: 2") + f"{third}    disc: 2\n    gap: 3\n{fourth}    disc: 2\n"
    each = each.replace("    audio: a.wav\n", "    audio: a.wav\n    disc: 1\n", 1)
    orders = []
    for text in (once, each):
        code, document = desk.json("check", desk.write(text))
        assert code == 0, document["findings"]
        orders.append((document["discs"], document["tracks"]))
    assert orders[0] == orders[1]
    assert len(orders[1][0]) == 2


def test_discs_whose_tracks_are_not_consecutive(desk: Desk) -> None:
    text = with_second("disc: 2") + "  - title: Bell Buoy\n    audio: a.wav\n    disc: 1\n"
    desk.refused(text, "disc-out-of-order", at="disc: 1", where="tracks[2].disc")


def test_track_of_three_seconds_without_a_disc_is_built(desk: Desk) -> None:
    text = with_second("end: 3").replace("download:", "disc: {make: false}\ndownload:")
    document = desk.build(text)
    assert not [made for made in document["made"] if made.startswith("disc/")]
    assert not (desk.release / "disc").exists()


def test_hundred_tracks(desk: Desk) -> None:
    error = desk.refused(many(100), "too-many-tracks", at="Piece 100", where="tracks[99]")
    assert "100 tracks" in error["message"]
    assert "99" in error["message"]


def test_ninety_nine_tracks_are_taken(desk: Desk) -> None:
    code, document = desk.json("check", desk.write(many(99)))
    assert (code, len(document["tracks"])) == (0, 99)


def test_release_over_the_limit_is_reported_with_the_excess(desk: Desk) -> None:
    text = MANIFEST.replace("download:", 'disc: {limit: "0:10:30"}\ndownload:')
    error = desk.refused(text, "over-disc-limit", at="limit", where="disc.limit")
    over = 12 * 75 - (10 * 75 + 30)  # two tracks of 5 s and a gap of 2 s
    assert f"{frames_text(over)} over" in error["message"]
    assert "00:12:00" in error["message"]


def test_release_at_the_limit_to_the_frame(desk: Desk) -> None:
    fits = MANIFEST.replace("download:", 'disc: {limit: "0:12"}\ndownload:')
    code, document = desk.json("check", desk.write(fits))
    assert (code, document["disc"]["fits"]) == (0, True)
    over = fits.replace("0:12", "0:11:74")
    error = desk.refused(over, "over-disc-limit", at="limit", where="disc.limit")
    assert "00:00:01 over" in error["message"]


@pytest.mark.parametrize("written", ["AA-6Q7-20-00047", "AA6Q72000047", "ISRC AA-6Q7-20-00047"])
def test_one_isrc_on_two_recordings(desk: Desk, written: str) -> None:
    text = MANIFEST.replace("audio: a.wav", "audio: a.wav\n    isrc: AA-6Q7-20-00047")
    text += f"    isrc: {written}\n"
    path = desk.write(text)
    _, document = desk.json("check", path)
    error = desk.refused(text, "duplicate-isrc", at=written, where="tracks[1].isrc")
    assert "track 1" in error["message"]
    assert error["line"] == len(text.splitlines())
    assert error in document["findings"]


def test_isrc_in_a_wrong_format(desk: Desk) -> None:
    text = with_second("isrc: AA-6Q7-20-0047")
    error = desk.refused(text, "bad-isrc", at="0047", where="tracks[1].isrc")
    assert "AA-6Q7-20-0047" in error["message"]


def test_wrong_check_digit(desk: Desk) -> None:
    text = MANIFEST.replace("download:", '  barcode: "6291041500214"\ndownload:')
    error = desk.refused(text, "bad-barcode", at="barcode", where="release.barcode")
    assert "require 3" in error["message"]


def test_credit_for_track_14_of_12(desk: Desk) -> None:
    credit = "credits:\n  - name: Ines Falk\n    roles: [harmonium]\n    tracks: [3, 14]\n"
    where = "credits[0].tracks[1]"
    error = desk.refused(many(12) + credit, "credit-beyond-tracks", at="14", where=where)
    assert "Ines Falk" in error["message"]
    assert "14 of 12" in error["message"]


def test_credit_for_track_0(desk: Desk) -> None:
    credit = "credits:\n  - name: Ines Falk\n    roles: [harmonium]\n    tracks: [0]\n"
    desk.refused(MANIFEST + credit, "bad-number", at="[0]", where="credits[0].tracks[0]")


@pytest.mark.parametrize(
    ("old", "new", "code", "where"),
    [
        ("download:", "level: {target: 3}\ndownload:", "bad-number", "level.target"),
        ("download:", "level: {target: loud}\ndownload:", "bad-number", "level.target"),
        ("download:", "level: {target: nan}\ndownload:", "bad-number", "level.target"),
        ("download:", "level: {ceiling: 0.5}\ndownload:", "bad-number", "level.ceiling"),
        ("download:", "level: {match: each}\ndownload:", "bad-choice", "level.match"),
        ("download:", "disc: {make: maybe}\ndownload:", "bad-choice", "disc.make"),
        ("download:", "disc: {limit: 80}\ndownload:", "bad-time", "disc.limit"),
        ("flac-16", "flac-17", "bad-choice", "download.formats[0]"),
        ("  artist: Halden Ferry Singers\n", "", "missing-key", "release.artist"),
        ("title: Low Lantern", "title:", "missing-key", "tracks[0].title"),
        ("title: Low Lantern", "title: [Low, Lantern]", "wrong-kind", "tracks[0].title"),
        ("download:", "  release_date: 16.4.2027\ndownload:", "bad-date", "release.release_date"),
    ],
)
def test_values_that_make_no_sense(desk: Desk, old: str, new: str, code: str, where: str) -> None:
    desk.refused(MANIFEST.replace(old, new), code, at="", where=where)


def test_all_errors_are_reported_together_in_the_order_of_lines(desk: Desk) -> None:
    text = MANIFEST.replace("audio: a.wav", "audio: a.wav\n    gap: soon").replace(
        "audio: b.wav", "audio: b.wav\n    isrc: none\n    colour: blue"
    )
    code, document = desk.json("check", desk.write(text))
    errors = [(f["code"], f["line"]) for f in document["findings"]]
    assert code == 1
    assert errors == [("bad-time", 10), ("bad-isrc", 13), ("unknown-key", 14)]


def test_gap_lands_on_frames_and_is_never_shorter_than_set(desk: Desk) -> None:
    desk.sound("a.wav", hum(5.003))
    code, document = desk.json("check", desk.write(with_second("gap: 0.35")))
    first, second = document["tracks"]
    assert code == 0
    begins = Fraction(second["start_frame"], 75)
    gap = Fraction(round(5.003 * 8000), 8000) + Fraction(35, 100)
    assert gap <= begins < gap + Fraction(1, 75)
    assert first["frames"] + second["gap_frames"] == second["start_frame"]
