"""The section `transfers`, the restoration of a side, and tracks that name one. Values are worked
out by hand; a cent is a hundredth of an equal-tempered semitone, 2 to the power of 1/1200."""

from __future__ import annotations

from fractions import Fraction

import pytest
from manifest.kinds import Loading, Refusing

from assembler.manifest.transfers import Restoration

HEAD = "release: {artist: a, title: b}\n"


def side(restoration: str = "off", track: str = "from: side-a", files: str = "file: a.wav") -> str:
    return (
        f"{HEAD}transfers:\n  side-a:\n    {files}\n    restoration: {restoration}\n"
        f"tracks:\n  - {{title: c, {track}}}\n"
    )


def test_a_side_is_one_file_or_a_pair(loaded: Loading) -> None:
    one = loaded(side()).manifest
    assert one.paths_of(one.tracks[0]) == ("a.wav",)
    pair = loaded(side(files="left: l.wav\n    right: r.wav")).manifest
    assert pair.paths_of(pair.tracks[0]) == ("l.wav", "r.wav")


def test_the_origin_of_a_side_is_kept_as_written(loaded: Loading) -> None:
    facts = "file: a.wav\n    tape: 1999\n    deck: No. 2\n    date: 2026-02\n    by: Kari Nymoen"
    transfer = loaded(side(files=facts)).manifest.transfers["side-a"]
    origin = (transfer.tape, transfer.deck, transfer.date, transfer.by)
    assert origin == ("1999", "No. 2", "2026-02", "Kari Nymoen")


AT = "transfers.side-a.restoration"


def test_everything_is_read(loaded: Loading) -> None:
    restoration = (
        "{dc: remove, swap_channels: yes, invert_polarity: left, declick: {strength: 3}, "
        "dropouts: repair, azimuth: -60.5 µs, balance: +1.8 dB, hum: {mains: 50, harmonics: 4}, "
        "noise: {from: 0:02, to: 0:05, reduction: 6}, speed: +0.8 %, trim_silence: yes}"
    )
    read = loaded(side(restoration)).manifest.transfers["side-a"].restoration
    assert (read.dc, read.swap_channels, read.invert_polarity, read.trim_silence) == (
        "remove",
        True,
        "left",
        True,
    )
    assert (read.azimuth, read.balance, read.factor) == (-60.5, 1.8, Fraction(126, 125))
    assert read.declick and read.declick.strength == 3
    assert read.dropouts == "repair"
    assert read.hum and (read.hum.mains, read.hum.harmonics) == (50, 4)
    assert read.noise and (read.noise.from_, read.noise.to, read.noise.reduction) == (2, 5, 6)


@pytest.mark.parametrize(
    "restoration", ["off", "no", "{}", "{hum: off, swap_channels: no, balance: off}"]
)
def test_off_is_no_restoration(loaded: Loading, restoration: str) -> None:
    assert loaded(side(restoration)).manifest.transfers["side-a"].restoration == Restoration()


def test_auto_is_a_value_for_what_can_be_measured(loaded: Loading) -> None:
    restoration = (
        loaded(side("{balance: auto, azimuth: Auto}")).manifest.transfers["side-a"].restoration
    )
    assert (restoration.balance, restoration.azimuth) == ("auto", "auto")
    follow = loaded(side("{azimuth: follow}")).manifest.transfers["side-a"].restoration
    assert follow.azimuth == "follow"


@pytest.mark.parametrize(("cents", "factor"), [("1200", 2), ("-1200", 0.5), ("100", 2 ** (1 / 12))])
def test_cents_are_a_factor(loaded: Loading, cents: str, factor: float) -> None:
    restoration = loaded(side(f"{{cents: {cents}}}")).manifest.transfers["side-a"].restoration
    assert float(restoration.factor) == pytest.approx(factor, rel=1e-8)


@pytest.mark.parametrize(
    ("restoration", "code", "where", "word"),
    [
        ("{balance: loud}", "bad-number", f"{AT}.balance", "loud"),
        ("{balance: 30}", "bad-number", f"{AT}.balance", "24"),
        ("{balance: follow}", "bad-number", f"{AT}.balance", "follow"),
        ("{azimuth: 1 s}", "bad-number", f"{AT}.azimuth", "1 s"),
        ("{hum: {mains: 55}}", "bad-choice", f"{AT}.hum.mains", "50"),
        ("{hum: {}}", "missing-key", f"{AT}.hum.mains", "mains"),
        ("{noise: {from: 2, to: 2.1}}", "bad-noise", f"{AT}.noise", "0.25 s"),
        ("{noise: {from: 5, to: 2}}", "bad-noise", f"{AT}.noise", "0.25 s"),
        ("{speed: fast}", "bad-speed", f"{AT}.speed", "percent"),
        ("{speed: 90 %}", "bad-speed", f"{AT}.speed", "50"),
        ("{speed: 1 %, cents: 3}", "bad-speed", f"{AT}", "`cents`"),
        ("{dc: yes}", "bad-choice", f"{AT}.dc", "remove"),
        ("{invert_polarity: top}", "bad-choice", f"{AT}.invert_polarity", "left"),
        ("{declik: {}}", "unknown-key", f"{AT}.declik", "`declick`"),
        ("{noise: {form: 1, to: 2}}", "unknown-key", f"{AT}.noise.form", "`from`"),
    ],
)  # fmt: skip
def test_a_wrong_value_is_reported(
    refused: Refusing, restoration: str, code: str, where: str, word: str
) -> None:
    found = [f for f in refused(side(restoration)) if f.code == code]
    assert [(f.where, f.line) for f in found] == [(where, 5)]
    assert word in found[0].message


TAPE = "file: a.wav\n    "


def test_playback_and_eq_of_a_side(loaded: Loading) -> None:
    keys = "played: nab\n    recorded: iec1\n    tape_speed: 38 cm/s\n    "
    more = "equaliser: [{shape: high_pass, hz: 20}]\n    mono_below: 90"
    transfer = loaded(side(files=TAPE + keys + more)).manifest.transfers["side-a"]
    assert transfer.playback == ("nab", "iec1", 38)
    assert [band.hz for band in transfer.equaliser] == [20]
    assert transfer.mono_below == 90
    assert not transfer.is_unchanged
    assert transfer.tone == {
        "playback": {"played": "nab", "recorded": "iec1", "speed": 38},
        "equaliser": [{"shape": "high_pass", "hz": 20}],
        "mono_below": 90,
    }


@pytest.mark.parametrize("keys", [("nab", "nab", 38), ("nab", "iec2", 19), ("iec1", "nab", 9.5)])
def test_the_same_time_constants_change_nothing(
    loaded: Loading, keys: tuple[str, str, float]
) -> None:
    played, recorded, speed = keys
    text = f"{TAPE}played: {played}\n    recorded: {recorded}\n    tape_speed: {speed}"
    transfer = loaded(side(files=text)).manifest.transfers["side-a"]
    assert transfer.playback is None
    assert transfer.is_unchanged


@pytest.mark.parametrize(
    ("keys", "code", "where", "word"),
    [
        ("played: nab", "bad-playback", "transfers.side-a", "`recorded` and `tape_speed`"),
        ("tape_speed: 19", "bad-playback", "transfers.side-a", "`played` and `recorded`"),
        (
            "played: nab\n    recorded: type1\n    tape_speed: 38",
            "bad-playback",
            "transfers.side-a",
            "no `type1` at 38 cm/s: use `nab` or `iec1` or `iec2`",
        ),
        ("tape_speed: 7.5", "bad-choice", "transfers.side-a.tape_speed", "38, 19, 9.5 or 4.75"),
        ("played: ccir", "bad-choice", "transfers.side-a.played", "iec1"),
        ("eq: []", "unknown-key", "transfers.side-a.eq", "`equaliser`"),
        ("mono_below: 900", "bad-number", "transfers.side-a.mono_below", "500"),
    ],
)
def test_wrong_playback_or_eq_is_one_clear_line(
    refused: Refusing, keys: str, code: str, where: str, word: str
) -> None:
    (found,) = refused(side(files=TAPE + keys))
    assert (found.code, found.where) == (code, where)
    assert word in found.message


def test_a_track_on_an_unknown_side_is_reported_with_the_known_sides(refused: Refusing) -> None:
    (finding,) = refused(side(track="from: side-b"))
    assert (finding.code, finding.where, finding.line) == ("unknown-side", "tracks[0].from", 7)
    assert "side-a" in finding.message


def test_a_track_has_one_source(refused: Refusing) -> None:
    (both,) = refused(side(track="from: side-a, audio: b.wav"))
    assert (both.code, both.where) == ("two-sources", "tracks[0]")
    (none,) = refused(side(track="trim: 1"))
    assert (none.code, none.where) == ("missing-key", "tracks[0].audio")


def test_half_a_pair_is_refused(refused: Refusing) -> None:
    (finding,) = refused(side(files="left: a.wav"))
    assert (finding.code, finding.where) == ("bad-audio", "transfers.side-a")
