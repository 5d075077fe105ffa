"""Songs of made sides: counts, durations, talk, live sides, sides without songs, output."""

from __future__ import annotations

import functools
import itertools
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from restoration.made_sides import RATE_HZ, Wave, reading, side, silence, song, talk

from assembler.audio import open_recording
from assembler.commands.console.split import print_split
from assembler.errors import AssemblerError
from assembler.manifest.times import parse_seconds
from assembler.manifest.yaml_text import read_text
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.split.confidence import level_of
from assembler.restoration.split.pauses import Pause, log_odds
from assembler.restoration.split.restored_programme import read_programme
from assembler.restoration.split.side_tracks import tracks_section
from assembler.restoration.split.split import Split, propose_songs, trimmed
from assembler.restoration.split.split_clips import write_split_clips
from assembler.restoration.split.split_cost import SplitSearch, duration_scores, span_scores

STARTS_S, LENGTHS_S = (2.0, 49.5, 91.0), (45.0, 40.0, 60.0)
Parts = tuple[Wave, ...]


def three_songs() -> Parts:
    one, two, three = song(45), song(40, -30, 300), song(60, -15, 180)
    return silence(2), one, silence(2.5), two, silence(1.5), three, silence(3)


def with_a_rest() -> Parts:
    """The first silence is longer than the second, but the list may say that it is in a song."""
    one, two, three = song(40), song(50), song(60, hz=330)
    return silence(2), one, silence(2.6), two, silence(2), three, silence(2)


def live() -> Parts:
    one, two, three = song(60, fade_s=0.01), song(70, -18, 300, 0.01), song(50, -22, 250, 0.01)
    return one, song(2, -32, fade_s=0.01), two, song(1.5, -35, fade_s=0.01), three


@functools.cache
def reading_of(parts: Callable[[], Parts]) -> ProgrammeReading:
    """Return the reading of a side, made once."""
    return reading(*parts())


@pytest.fixture(scope="module")
def three() -> Split:
    return propose_songs(reading_of(three_songs), 3)


def test_songs_begin_a_little_early_and_end_after_their_decay(three: Split) -> None:
    for found, start_s, length_s in zip(three.songs, STARTS_S, LENGTHS_S, strict=True):
        assert start_s - 0.1 <= found.start_s <= start_s
        assert start_s + length_s - 0.05 <= found.end_s <= start_s + length_s + 0.4
        assert found.confidence > 0.9
    assert three.remarks == three.left_out == ()


def test_without_a_count_the_same_songs_are_found(three: Split) -> None:
    alone = propose_songs(reading_of(three_songs))
    assert [s.start_s for s in alone.songs] == [s.start_s for s in three.songs]
    assert alone.count_alone == three.count_alone == 3


@pytest.mark.parametrize("noise_db", [-75.0, -66.0, -48.0, -np.inf])
def test_any_noise_floor(noise_db: float) -> None:
    found = propose_songs(reading(*three_songs(), noise_db=noise_db), 3)
    for a, start_s in zip(found.songs, STARTS_S, strict=True):
        assert start_s - 0.1 <= a.start_s <= start_s


def test_too_few_songs_are_joined_at_the_shortest_pause() -> None:
    found = propose_songs(reading_of(three_songs), 2)
    assert [round(s.start_s, 1) for s in found.songs] == [1.9, 49.4]
    assert found.songs[1].end_s > 150
    assert any("2 songs expected" in remark and "more: 3" in remark for remark in found.remarks)


def test_too_many_songs_are_cut_at_the_quietest_places_with_a_remark() -> None:
    found = propose_songs(reading_of(three_songs), 5)
    starts_s = [s.start_s for s in found.songs]
    assert all(any(abs(a - b) < 0.1 for a in starts_s) for b in STARTS_S)
    assert sorted(s.confidence for s in found.songs)[:2] < [0.2, 0.2]
    assert any("5 songs expected" in remark and "fewer: 3" in remark for remark in found.remarks)


def test_more_songs_than_can_be_separated() -> None:
    found = propose_songs(reading(silence(2), song(30), silence(2)), 40)
    assert 1 <= len(found.songs) < 40
    assert any("40 songs expected, but only" in remark for remark in found.remarks)


def test_a_silence_inside_a_song_does_not_split_it_when_durations_say_so() -> None:
    found = propose_songs(reading_of(with_a_rest), 2, [92.6, 60])
    assert [round(s.start_s, 1) for s in found.songs] == [1.9, 96.5]
    assert found.songs[0].confidence > 0.9


def test_a_cut_near_a_tie_has_no_high_confidence() -> None:
    found = propose_songs(reading_of(with_a_rest), 2)
    assert level_of(found.songs[0].confidence) != "high"
    assert "another cut is nearly as likely" in found.songs[0].end.why


def test_durations_may_be_known_of_some_songs_only() -> None:
    found = propose_songs(reading_of(with_a_rest), None, [None, 60])
    assert [round(s.start_s, 1) for s in found.songs] == [1.9, 96.5]


def test_a_list_in_another_order_has_a_remark(three: Split) -> None:
    found = propose_songs(reading_of(three_songs), 3, [60, 45, 40])
    assert found.songs == three.songs
    (remark,) = found.remarks
    assert "another order: 2, 3, 1" in remark


def test_a_duration_that_does_not_fit_has_a_remark() -> None:
    (remark,) = propose_songs(reading_of(three_songs), 3, [45, 200, 60]).remarks
    assert "song 2 lasts 0:40, the list says 3:20" in remark


def test_a_tape_that_runs_slow_has_a_remark() -> None:
    longer = [silence(2), song(115), silence(2), song(140, hz=300), silence(2), song(125)]
    listed = [115 / 1.05, 140 / 1.05, 125 / 1.05]
    (remark,) = propose_songs(reading(*longer, silence(2)), 3, listed).remarks
    assert "+5.0 %" in remark
    assert "slow" in remark


@pytest.mark.parametrize("count", [3, None])
def test_talk_between_songs_is_left_out(count: int | None) -> None:
    parts = [
        silence(2), song(60), silence(1.5), talk(5), silence(1.2), song(45, -25, 300),
        silence(1), talk(9, seed=5), silence(0.8), song(70), silence(2),
    ]  # fmt: skip
    found = propose_songs(reading(*parts), count)
    assert [round(s.start_s) for s in found.songs] == [2, 70, 125]
    assert [rest.start_s for rest in found.left_out] == pytest.approx([63.5, 115.7], abs=0.1)
    assert "talk or noise at 1:03, left out" in found.remarks


def test_a_click_in_a_pause_does_not_begin_a_song() -> None:
    samples = side(*three_songs())
    samples[round(48.2 * RATE_HZ) : round(48.2 * RATE_HZ) + 20] += 0.3
    found = propose_songs(read_programme([samples], RATE_HZ), 3)
    assert 49.4 <= found.songs[1].start_s <= 49.5
    assert not found.left_out


def test_a_live_side_is_cut_at_its_quietest_places() -> None:
    found = propose_songs(reading_of(live), 3)
    assert found.songs[0].start_s == 0
    assert 59.9 < found.songs[1].start_s < 62.1
    assert 131.9 < found.songs[2].start_s < 133.6
    assert all(a.end_s == b.start_s for a, b in itertools.pairwise(found.songs))
    assert all(level_of(s.confidence) == "low" for s in found.songs)
    assert any("no silence between songs" in remark for remark in found.remarks)


def test_a_live_side_without_a_list_is_one_song() -> None:
    found = propose_songs(reading_of(live))
    assert len(found.songs) == 1
    assert found.remarks == ("no silence within this side: taken as one song",)


@pytest.mark.parametrize(
    ("parts", "count", "noise_db", "message"),
    [
        (lambda: (silence(20),), None, -np.inf, "only silence found"),
        (lambda: (silence(20),), 3, -60, "only noise found"),
        (lambda: (silence(2), talk(15), silence(2)), None, -60, "talk or noise from 0:02 to 0:17"),
        (lambda: (silence(2), talk(15), silence(2)), 2, -60, "only talk or noise"),
        (lambda: (silence(2), talk(60), silence(2)), None, -60, "only talk or noise"),
        (lambda: (song(0.5, fade_s=0.1),), None, -60, "no song found"),
        (lambda: (silence(0.001),), None, -60, "only silence found"),
        (lambda: (song(5),), 0, -60, "give at least 1"),
    ],
)
def test_a_side_without_songs_is_refused_in_one_line(
    parts: Callable[[], Parts], count: int | None, noise_db: float, message: str
) -> None:
    with pytest.raises(AssemblerError, match=message) as error:
        propose_songs(reading(*parts(), noise_db=noise_db), count, name="side-a.wav")
    assert str(error.value).startswith("side-a.wav: ")
    assert len(str(error.value).splitlines()) == 1


def test_an_empty_list_is_refused() -> None:
    with pytest.raises(AssemblerError, match="give at least 1"):
        propose_songs(reading_of(three_songs), None, [])


def test_the_split_is_the_cheapest_of_all_and_its_probabilities_their_shares() -> None:
    rng = np.random.default_rng(8)
    edges = np.cumsum(rng.uniform(8, 50, 6))
    lasts = rng.uniform(0.3, 4, 6)
    pauses = [
        Pause(float(a), float(a + b), float(b), 0.0) for a, b in zip(edges, lasts, strict=True)
    ]
    pauses[0] = Pause(0.0, 2.0, 2.0, 0.0)
    scores = span_scores(pauses, rng.uniform(0, 0.3, 3000))
    durations = [40.0, None]
    best = SplitSearch(scores, 2, durations).best(2)
    costs = _every_split_of_two(pauses, scores.as_song, scores.as_left_out, scores.lengths_s)
    assert best.cost == pytest.approx(min(costs.values()))
    assert costs[best.songs] == pytest.approx(best.cost)
    whole = sum(np.exp(-cost) for cost in costs.values())
    for number, place in itertools.product(range(2), range(len(pauses))):
        for edge, found in ((0, best.begins), (1, best.ends)):
            share = sum(np.exp(-c) for s, c in costs.items() if s[number][edge] == place) / whole
            assert found[number, place] == pytest.approx(share, abs=1e-9)


def _every_split_of_two(
    pauses: list[Pause], as_song: Wave, as_left_out: Wave, lengths_s: Wave
) -> dict[tuple[tuple[int, int], ...], float]:
    """Add up each split by hand."""
    last = len(pauses) - 1
    costs: dict[tuple[tuple[int, int], ...], float] = {}
    for a, b, c, d in itertools.product(range(last + 1), repeat=4):
        if not a < b <= c < d:
            continue
        cost = -as_song[a, b] - as_song[c, d] - duration_scores(lengths_s, 40.0)[a, b]
        cost -= sum(as_left_out[p, q] for p, q in ((0, a), (b, c), (d, last)) if p < q)
        cost -= sum(log_odds(pauses[p]) for p in {a, b, c, d} - {0, last})
        costs[(a, b), (c, d)] = float(cost)
    return costs


def test_a_section_is_trimmed_to_its_sound() -> None:
    found = reading_of(three_songs)
    start_s, end_s = trimmed(found, 0.5, 48.9)
    assert 1.9 <= start_s <= 2
    assert 46.9 <= end_s <= 47.5
    assert trimmed(found, 10, 20) == (10, 20)
    assert trimmed(found, 47.9, 49) == (47.9, 49)


def test_tracks_are_written_as_the_manifest_reads_them(three: Split, tmp_path: Path) -> None:
    text = tracks_section([("side-a", three)], ["Low Lantern", "1999: No", "yes"])
    path = tmp_path / "tracks.yaml"
    path.write_text(text, encoding="utf-8")
    assert read_text(path) == text
    assert re.findall(r"- title: (.*)", text) == ["Low Lantern", '"1999: No"', '"yes"']
    assert text.count("    from: side-a\n") == 3
    for word, times in (
        ("start", [s.start_s for s in three.songs]),
        ("end", [s.end_s for s in three.songs]),
    ):
        written = re.findall(rf"    {word}: (\d+:\d\d\.\d\d\d)\n", text)
        assert [float(parse_seconds(t)) for t in written] == pytest.approx(times, abs=0.001)


def test_a_cut_without_silence_is_written_as_a_segue() -> None:
    split = propose_songs(reading_of(live), 3)
    text = tracks_section([("side-a", split)], ["One", "Two", "Three"])
    one, two, three = text.split("  - title: ")[1:]
    assert "gap" not in one
    assert two.endswith("    gap: 0\n")
    assert three.endswith("    gap: 0\n")
    ends, starts = (re.findall(rf"    {word}: (\S+)  # conf", text) for word in ("end", "start"))
    assert len(ends) == len(starts) == 3
    assert ends[:2] == starts[1:]
    assert "  # confidence low: no silence: the level stays" in text


def test_songs_with_silence_between_keep_the_gap_of_the_disc(three: Split) -> None:
    assert "gap" not in tracks_section([("side-a", three)], [])


def test_missing_titles_are_left_empty(three: Split) -> None:
    text = tracks_section([("side a", three), ("side b", three)], ["One"] * 4)
    assert text.count("- title: One\n") == 4
    assert text.count("- title:\n") == 2


def test_clips_have_the_samples_around_each_cut(three: Split, tmp_path: Path) -> None:
    samples = side(*three_songs())
    soundfile.write(tmp_path / "side.wav", samples, RATE_HZ, subtype="FLOAT")
    recording = open_recording((tmp_path / "side.wav",))
    clips = write_split_clips(tmp_path, recording, three, 3)
    assert [clip.name for clip in clips[:3]] == ["03 begins.wav", "03 ends.wav", "04 begins.wav"]
    for clip, at_s in ((clips[2], three.songs[1].start_s), (clips[1], three.songs[0].end_s)):
        read, rate_hz = soundfile.read(clip, dtype="float32")
        begin = round(at_s * RATE_HZ) - 4 * RATE_HZ
        assert (rate_hz, len(read)) == (RATE_HZ, 8 * RATE_HZ)
        assert np.abs(read - samples[begin : begin + len(read)]).max() <= 2**-23
    assert len(soundfile.read(clips[0])[0]) < 8 * RATE_HZ


def test_the_table_fits_80_columns_and_lists_uncertain_cuts(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    split = propose_songs(reading_of(with_a_rest), 2)
    long = "The Long and Slow Return of the Ferrymen to the Slack Water at Halden Stairs"
    print_split([("side-a", split)], [long, "Tide Table", "Bell Buoy"])
    out = capsys.readouterr().out
    table = [line for line in out.splitlines() if not re.match(r"\S", line)]
    assert max(map(len, table)) <= 80
    assert "Ferrymen" in out
    assert re.search(r"1 ends at 0:4\d\.\d+, confidence (medium|low): ", out)
    assert "another cut is nearly as likely" in out
    assert "no song found for: Bell Buoy" in out
    assert f"cost {split.cost:.1f}".replace("-", "−") in out
