"""Two finished releases compared: an edit is listed, and nothing else is.

Gains, times and levels are read here with soundfile and numpy, or are what the test put there.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image
from scipy import signal

from assembler import AssemblerError, build, load
from assembler.commands.main import main
from assembler.compare.comparison import Comparison, compare
from assembler.compare.difference import from_to
from assembler.compare.fields import field_changes
from assembler.finished.null_test import sound_difference
from assembler.finished.pcm import Stretch
from assembler.manifest.model import Track

RATE_HZ = 44100
ROOMS = ("disc", "download")
MANIFEST = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: T
  barcode: "2000000000145"
  front_cover: front.png
level: {match: none, ceiling: -1}
download: {formats: [flac-24, mp3-320]}
tracks:
- title: Low Lantern
  audio: a.wav
  isrc: AA-6Q7-27-00001
- title: Tide Table
  audio: b.wav
  isrc: AA-6Q7-27-00002
- title: Ropewalk Round
  audio: c.wav
  start: 0.5
  end: 5.5
  isrc: AA-6Q7-27-00003
  equaliser: [{shape: bell, hz: 2800, db: -1.5, q: 1.2}]
credits:
- {name: Mattis Oren, roles: [harmonium], tracks: [1]}
"""


def mild_noise(seed: int) -> np.ndarray:
    """Six seconds of noise below 4 kHz, its peak some 12 dB below full scale."""
    noise = np.random.default_rng(seed).normal(0, 0.05, (6 * RATE_HZ, 2))
    low = signal.butter(8, 4000, fs=RATE_HZ, output="sos")
    return 2 * signal.sosfilt(low, noise, axis=0)


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three recordings, two covers, and the release `before` that every edit starts from."""
    folder = tmp_path_factory.mktemp("compare")
    for n, name in enumerate("abc"):
        soundfile.write(folder / f"{name}.wav", mild_noise(n), RATE_HZ, subtype="PCM_24")
    for name, grey in (("front", 90), ("other", 91)):
        Image.new("RGB", (600, 600), (grey, grey, grey)).save(folder / f"{name}.png")
    built(folder, MANIFEST, "before")
    return folder


def built(desk: Path, text: str, out: str, rooms: tuple[str, ...] = ROOMS) -> Path:
    path = desk / "T.yaml"
    path.write_text(text, encoding="utf-8")
    return build(load(path), desk / out, only=rooms).release_dir


def edited(desk: Path, *edits: tuple[str, str]) -> Comparison:
    """Compare the release with the one that some edits of its manifest give."""
    text = MANIFEST
    for old, new in edits:
        assert old in text
        text = text.replace(old, new, 1)
    return compare(desk / "before" / "T", built(desk, text, "after"))


def listed(comparison: Comparison) -> list[str]:
    """Return its messages without those that follow from the rest."""
    follow = ("files", "playing-levels", "disc-time", "lossy")
    return [one.message for one in comparison.differences if one.code not in follow]


def sound(desk: Path, out: str, name: str) -> np.ndarray:
    """Read a finished file in full, as numbers from -1 to 1."""
    (path,) = (desk / out / "T").rglob(name)
    return soundfile.read(path, dtype="float64")[0]


EDITS = (
    ("Tide Table", "Tide Tables", ["track 2, title: Tide Table → Tide Tables"]),
    ("27-00002", "27-00012", ["track 2, ISRC: AA-6Q7-27-00002 → AA-6Q7-27-00012"]),
    ("audio: b.wav", "audio: b.wav\n  gap: 3.5", ["track 2, gap: 2.00 s → 3.507 s"]),
    ("tracks: [1]}", "tracks: [1, 3]}",
     ["credits: name Mattis Oren, roles harmonium, tracks 1 → "
      "name Mattis Oren, roles harmonium, tracks 1, 3"]),
    ("[flac-24, mp3-320]", "[flac-24, mp3-320, wav-16]", ["format wav-16: only in B"]),
    ("audio: b.wav", "audio: b.wav\n  indexes: [0:02, 0:03.5]",
     ["track 2, indexes: none → 2.00 s, 3.50 s"]),
)  # fmt: skip
MORE_EDITS = (
    ("audio: b.wav", "audio: b.wav\n  gap: 1", ["track 2, gap: 2.00 s → 1.00 s"]),
    ("audio: b.wav", "audio: b.wav\n  gap: 0", ["track 2, gap: 2.00 s → segue"]),
    ('barcode: "2000000000145"', 'barcode: "2000000000152"',
     ["release, barcode: 2000000000145 → 2000000000152"]),
    ("tracks: [1]}", "tracks: [1]}\n- {name: Ines Falk, roles: [mastering]}",
     ["credits: none → name Ines Falk, roles mastering"]),
    ("front.png", "other.png", ["release, front cover: front.png → other.png"]),
    ("ceiling: -1", "ceiling: -2", ["level, ceiling: −1 dBTP → −2 dBTP"]),
    ("level: {match: none", "disc: {level: {target: -11}}\nlevel: {match: none",
     ["disc, level: none → target −11"]),
    ("title: Songs for Slack Water", "title: Songs for High Water",
     ["release, title: Songs for Slack Water → Songs for High Water"]),
)  # fmt: skip


@pytest.mark.parametrize(
    ("old", "new", "messages"),
    [*EDITS, *(pytest.param(*edit, marks=pytest.mark.thorough) for edit in MORE_EDITS)],
)
def test_an_edit_that_leaves_the_audio_is_listed_alone(desk, old, new, messages):
    comparison = edited(desk, (old, new))
    findings = [one for one in comparison.differences if one.code.startswith("finding")]
    assert listed(comparison) == [*messages, *(one.message for one in findings)]
    assert comparison.verdict == "all audio nulls"
    re_encoded = [one for one in comparison.differences if one.code == "lossy"]
    assert [one.message for one in re_encoded] == (
        ["track 1, mp3-320: re-encoded"] if "gap" in new else []  # with another gap at its end
    )


def test_the_proof_counts_what_is_identical(desk):
    comparison = edited(desk, ("Tide Table", "Tide Tables"))
    samples = len(sound(desk, "before", "T.wav"))
    files = sum(len(sound(desk, "before", f"0{n}*.flac")) for n in (1, 2, 3))
    assert comparison.proofs[:3] == (
        f"disc image: 3 tracks, {samples:,} samples per channel; 3 tracks null",
        f"flac-24: 3 tracks, {files:,} samples per channel; 3 tracks null",
        "mp3-320: 3 tracks; 3 with identical audio",
    )


@pytest.mark.parametrize(
    "trim_db", [-1.25, *(pytest.param(db, marks=pytest.mark.thorough) for db in (0.5, 6.0))]
)
def test_a_trim_is_found_as_the_gain_that_is_measured(desk, trim_db):
    comparison = edited(desk, ("audio: b.wav", f"audio: b.wav\n  trim: {trim_db}"))
    gain = f"{trim_db:+.2f} dB".replace("-", "−")
    assert listed(comparison) == [
        f"track 2, trim: +0.00 dB → {gain}",
        f"track 2, audio: only the level changed ({gain}, nulls)",
    ]
    for name in ("T.wav", "02*.flac"):
        before, after = (sound(desk, out, name) for out in ("before", "after"))
        apart = np.flatnonzero((before != after).any(axis=1))
        before, after = before[apart].ravel(), after[apart].ravel()
        measured = float(before @ after / (before @ before))
        assert 20 * np.log10(measured) == pytest.approx(trim_db, abs=1e-3)


@pytest.mark.thorough
def test_a_target_moves_every_track(desk):
    level = ("match: none", "match: track, target: -24")
    text = MANIFEST.replace(*level)
    first = built(desk, text, "louder")
    second = built(desk, text.replace("target: -24", "target: -25"), "softer")
    messages = listed(compare(first, second))
    assert messages[0] == "level, target: −24 LUFS → −25 LUFS"
    gains = [
        re.fullmatch(r"tracks? (\S.*), .*: only the level changed \((−\d\.\d\d) dB, nulls\)", m)
        for m in messages[1:]
    ]
    assert all(gains)
    assert [float(g[2].replace("−", "-")) for g in gains] == pytest.approx(
        [-1.0] * len(gains), abs=0.02
    )


def test_tracks_that_came_went_or_moved_are_known_by_their_sound(desk):
    low, tide = (MANIFEST[MANIFEST.index(f"- title: {t}") :] for t in ("Low", "Tide"))
    low = low[: len(low) - len(tide)]
    without = edited(desk, (low, ""))
    assert listed(without) == [
        # The first track is another one now.
        "credits: none → name Mattis Oren, roles harmonium, tracks 1",
        "removed: Low Lantern (track 1)",
    ]
    assert without.proofs[1].startswith("flac-24: 2 tracks")
    assert "2 tracks null" in without.proofs[1]
    tide = tide[: tide.index("- title: Ropewalk")]
    moved = edited(desk, (low + tide, tide + low), ("tracks: [1]", "tracks: [2]"))
    assert listed(moved) == ["moved: Low Lantern (1 → 2)"]
    assert "3 tracks null" in moved.proofs[0]
    back = compare(desk / "after" / "T", desk / "before" / "T")
    assert listed(back) == ["moved: Tide Table (1 → 2)"]


@pytest.mark.thorough
def test_an_added_track_is_listed(desk):
    new = "- title: Undertow\n  audio: a.wav\n  start: 2\ncredits:"
    comparison = edited(desk, ("credits:", new))
    assert listed(comparison)[0] == "added: Undertow (track 4)"
    assert [m for m in listed(comparison)[1:] if not m.startswith("new warning [empty-isrc]")] == []


def test_a_moved_start_is_listed_and_the_common_part_compared(desk):
    comparison = edited(desk, ("start: 0.5\n", "start: 1\n"))
    messages = listed(comparison)
    assert messages[0] == "track 3, start: 0.50 s → 1.00 s"
    sounds = [m for m in messages if "only in A" in m]
    assert len(sounds) == 2
    for message, name, bits in zip(sounds, ("T.wav", "03*.flac"), (16, 24), strict=True):
        assert "0.50 s of audio only in A" in message
        assert "no more than dither" in message
        before, after = (sound(desk, out, name) for out in ("before", "after"))
        start = 16 * RATE_HZ if name == "T.wav" else 0  # 6 + 2 + 6 + 2 s
        after = after[start:][: round(4.5 * RATE_HZ)]
        before = before[start + RATE_HZ // 2 :][: len(after)]
        apart = np.abs(after - before).max()
        assert f"{20 * np.log10(apart):.1f}".replace("-", "−") in message
        assert apart * 2 ** (bits - 1) <= 4  # 1.5 LSB of dither and rounding each, 24 bits of float


@pytest.mark.thorough
def test_other_audio_before_track_1_is_in_list_and_verdict(desk):
    texts = [f"disc: {{pregap_audio: {name}.wav}}\n{MANIFEST}" for name in "ac"]
    first, second = (built(desk, text, out) for text, out in zip(texts, "pq", strict=True))
    comparison = compare(first, second)
    assert listed(comparison)[0] == "disc, pregap audio: a.wav → c.wav"
    (message,) = [m for m in listed(comparison) if m.startswith("audio before track 1: ")]
    before, after = (sound(desk, out, "T.wav")[: 6 * RATE_HZ] for out in "pq")
    level = f"{20 * np.log10(np.abs(after - before).max()):.1f}".replace("-", "−")
    assert message.endswith(f"residual peaks at {level} dBFS, 0:00.00 to 0:06.00")
    assert comparison.verdict == "3 of 3 tracks null; see the differences above"
    assert comparison.proofs[0].startswith("disc image: 3 tracks, ")


def test_an_older_report_is_aligned_by_the_start_of_the_section(desk, copy):
    path = copy / "report.json"
    report = json.loads(path.read_bytes())
    for track in report["tracks"]:
        del track["source"]["first_samples"]
    path.write_text(json.dumps(report), encoding="utf-8")
    later = built(desk, MANIFEST.replace("start: 0.5\n", "start: 1\n"), "after")
    messages = listed(compare(copy, later))
    assert any("only in A" in m and "no more than dither" in m for m in messages)


@pytest.mark.thorough
def test_a_segue_is_aligned_by_the_first_sample_of_its_source(desk):
    """With another end of the track before, the mark moves to another sample of the source."""
    text = MANIFEST.replace("audio: b.wav", "audio: b.wav\n  gap: 0")
    texts = [text.replace("audio: a.wav", f"audio: a.wav\n  end: {end}") for end in (5.001, 5.004)]
    first, second = (built(desk, text, out) for text, out in zip(texts, "pq", strict=True))
    reports = [json.loads((one / "report.json").read_bytes())["tracks"] for one in (first, second)]
    starts = [tracks[1]["source"]["first_samples"]["44100"] for tracks in reports]
    assert starts[0] != starts[1]
    comparison = compare(first, second)
    (message,) = [m for m in listed(comparison) if m.startswith("track 2, flac-24")]
    assert re.search(r"dBFS, 0:00\.00 to 0:00\.0\d", message)  # the end of track 1


@pytest.mark.thorough
def test_a_new_end_is_listed(desk):
    messages = listed(edited(desk, ("end: 5.5\n", "end: 4.5\n")))
    assert messages[0] == "track 3, end: 5.50 s → 4.50 s"
    assert all("1.00 s of audio only in A" in m for m in messages if "only in" in m)


@pytest.mark.thorough
def test_an_equaliser_is_listed_band_by_band_with_its_residual(desk):
    comparison = edited(desk, ("db: -1.5", "db: -2"))
    first, *sounds = listed(comparison)
    assert first == "track 3, equaliser: bell 2800 Hz −1.50 dB q 1.2 → bell 2800 Hz −2.00 dB q 1.2"
    before, after = (sound(desk, out, "03*.flac") for out in ("before", "after"))
    peak = f"{20 * np.log10(np.abs(after - before).max()):.1f} dBFS".replace("-", "−")
    assert any(peak in message for message in sounds)
    assert not any("only the level" in message for message in sounds)
    added = edited(desk, ("equaliser: [", "equaliser: [{shape: high_pass, hz: 30}, "))
    assert listed(added)[0] == "track 3, equaliser: none → high pass 30 Hz"


@pytest.mark.thorough
def test_a_fade_is_listed_with_the_time_of_its_residual(desk):
    comparison = edited(desk, ("audio: b.wav", "audio: b.wav\n  fade_out: 2"))
    first, *sounds = listed(comparison)
    assert first == "track 2, fade out: none → 2.00 s"
    (in_file,) = [m for m in sounds if m.startswith(("track 2, flac-24", "track 2, audio"))]
    before, after = (sound(desk, out, "02*.flac") for out in ("before", "after"))
    assert in_file.endswith(", 0:04.00 to 0:06.00")
    assert np.abs(after - before)[: 4 * RATE_HZ].max() < 2 * 2**-23  # its dither alone
    assert edited(desk).differences == ()


def test_new_and_gone_findings_are_listed(desk):
    comparison = edited(desk, ("  isrc: AA-6Q7-27-00002\n", ""))
    new = [one.message for one in comparison.differences if one.code == "finding-new"]
    assert len(new) == 1
    assert new[0].startswith("new warning [empty-isrc]: track 2 has no ISRC")
    back = compare(desk / "after" / "T", desk / "before" / "T")
    assert [one.code for one in back.differences if "finding" in one.code] == ["finding-gone"]


def test_a_comment_in_the_manifest_is_other_wording(desk):
    comparison = edited(desk, ("level:", "# louder next time\nlevel:"))
    (only,) = comparison.differences
    assert only.message.endswith(": other wording, same content")
    assert "manifest.yaml" in only.files


def test_another_recording_under_the_same_name_is_found(desk):
    shutil.copy(desk / "b.wav", desk / "kept.wav")
    try:
        soundfile.write(desk / "b.wav", mild_noise(9), RATE_HZ, subtype="PCM_24")
        messages = listed(edited(desk))
    finally:
        shutil.move(desk / "kept.wav", desk / "b.wav")
    assert messages[0] == "track 2, source: b.wav has new content"
    assert all("residual peaks at" in m and "track 2" in m for m in messages[1:])


@pytest.fixture
def copy(desk: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(desk / "before" / "T", tmp_path / "T"))


def test_one_changed_sample_is_found(desk, copy):
    """The image alone is changed, by hand: nothing else of the release shows it."""
    image = copy / "disc" / "T.wav"
    pcm, _ = soundfile.read(image, dtype="int16")
    start = 8 * RATE_HZ  # track 2: after 6 s of track 1 and a gap of 2 s
    pcm[start + 3 * RATE_HZ, 1] += 100
    soundfile.write(image, pcm, RATE_HZ, subtype="PCM_16")
    comparison = compare(desk / "before" / "T", copy)
    level = f"{20 * np.log10(100 / 32768):.1f}".replace("-", "−")
    (message,) = listed(comparison)
    assert message == (f"track 2, disc: residual peaks at {level} dBFS, 0:03.00 to 0:03.00")
    assert "2 tracks null" in comparison.proofs[0]
    assert "3 tracks null" in comparison.proofs[1]


def test_sound_in_a_pause_is_found(desk, copy):
    image = copy / "disc" / "T.wav"
    pcm, _ = soundfile.read(image, dtype="int16")
    pcm[round(6.5 * RATE_HZ), 0] = 1  # in the gap before track 2
    soundfile.write(image, pcm, RATE_HZ, subtype="PCM_16")
    (message,) = listed(compare(desk / "before" / "T", copy))
    assert message.startswith("track 1, disc: differs by no more than dither")
    assert "0:06.50 to 0:06.50" in message


def test_a_changed_tag_is_found(desk, copy):
    from mutagen.flac import FLAC

    path = next(copy.rglob("02*.flac"))
    file = FLAC(path)
    file["TITLE"] = "Tied Table"
    file.save()
    assert listed(compare(desk / "before" / "T", copy)) == [
        "track 2, flac-24 tag title: Tide Table → Tied Table"
    ]


def test_a_changed_cue_sheet_is_found(desk, copy):
    cue = copy / "disc" / "T.cue"
    cue.write_bytes(cue.read_bytes().replace(b"FILE", b"FILE "))
    comparison = compare(desk / "before" / "T", copy)
    assert [(one.code, one.files) for one in comparison.differences] == [("files", ("disc/T.cue",))]


def test_a_damaged_file_is_an_error_with_its_name(desk, copy):
    path = next(copy.rglob("02*.flac"))
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    with pytest.raises(AssemblerError, match=r"02 Tide Table\.flac"):
        compare(desk / "before" / "T", copy)


def test_a_release_does_not_differ_from_itself(desk, copy):
    for other in (desk / "before" / "T", copy):
        comparison = compare(desk / "before" / "T", other)
        assert comparison.differences == ()
        assert comparison.verdict == "no differences; all audio nulls"
        assert comparison.as_json()["identical"] is True


LINES = st.text(st.characters(exclude_categories=("Cs", "Cc", "Zl", "Zp")), min_size=1, max_size=30)
LINES = LINES.filter(lambda text: text.strip() == text and text.isprintable())


@pytest.mark.thorough
@settings(
    max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(titles=st.lists(LINES, min_size=3, max_size=3), name=LINES)
def test_only_what_differs_is_listed_in_any_script(desk, titles, name):
    """Paper alone: it is quick to build, and words are all that differ."""
    text = MANIFEST.replace("Mattis Oren", json.dumps(name))
    for old, title in zip(("Low Lantern", "Tide Table", "Ropewalk Round"), titles, strict=True):
        text = text.replace(old, json.dumps(title))
    first, second = (built(desk, t, out, ("paper",)) for t, out in ((MANIFEST, "p"), (text, "q")))
    for folder in (first, second):
        assert compare(folder, folder).differences == ()
    messages = [one.message for one in compare(first, second).differences]
    assert all(message.isprintable() for message in messages)
    by_title = [m for m in messages if ", title: " in m and m.startswith("track ")]
    assert len(by_title) == 3
    assert any(m.startswith("credits: ") for m in messages)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("edits", "same", "verdict"),
    [
        ([("match: none", "match: none, target: -12"), ("Tide Table", "Tide")], 3,
         "all audio nulls"),
        ([("isrc: AA-6Q7-27-00002", "isrc: AA-6Q7-27-00002\n  trim: -1")], 2,
         "2 of 3 tracks null; see the differences above"),
        ([("match: none", "match: track, target: -20")], 0,
         "0 of 3 tracks null; see the differences above"),
    ],
)  # fmt: skip
def test_the_verdict_follows_from_the_list(desk, capsys, monkeypatch, edits, same, verdict):
    """The finished files of both are compared here by numpy."""
    comparison = edited(desk, *edits)
    names = [f"0{n} *.flac" for n in (1, 2, 3)]
    equal = [np.array_equal(sound(desk, "before", n), sound(desk, "after", n)) for n in names]
    assert (sum(equal), comparison.same_tracks, comparison.tracks) == (same, same, 3)
    assert comparison.verdict == verdict
    monkeypatch.setenv("FORCE_COLOR", "1")
    monkeypatch.setenv("COLUMNS", "100")
    assert main(["compare", str(comparison.a), str(comparison.b)]) == 0
    line = next(x for x in capsys.readouterr().out.splitlines() if verdict in x)
    assert ("32m" in line) == (same == 3)  # ECMA-48: 32 is green


def test_releases_without_a_track_in_common_are_not_called_the_same(desk):
    (desk / "other").mkdir(exist_ok=True)
    soundfile.write(desk / "other" / "d.wav", mild_noise(7), RATE_HZ, subtype="PCM_24")
    text = MANIFEST[: MANIFEST.index("- title: Low")]
    text += "- {title: Ebb, audio: other/d.wav, isrc: AA-6Q7-27-00009}\n"
    comparison = compare(desk / "before" / "T", built(desk, text, "after"))
    assert comparison.tracks == comparison.same_tracks == 0
    assert comparison.verdict == "no audio could be compared"


def test_no_path_is_cut(desk, capsys, monkeypatch):
    """A name with spaces in deep folders stays whole, on a line of its own."""
    monkeypatch.setenv("COLUMNS", "80")
    names = [
        f"transfers of the second week/reel {n}/Tide Table, take 4 (the long one) final mix.wav"
        for n in (1, 2)
    ]
    for name in names:
        (desk / name).parent.mkdir(parents=True, exist_ok=True)
        shutil.copy(desk / "b.wav", desk / name)
    texts = [MANIFEST.replace("b.wav", f'"{name}"') for name in names]
    first, second = (built(desk, text, out) for text, out in zip(texts, "pq", strict=True))
    (one,) = [d for d in compare(first, second).differences if d.code == "source"]
    whole = [f"…/{name.partition('/')[2]}" for name in names]
    assert one.message == f"track 2, source: {whole[0]} → {whole[1]}, same content"
    assert main(["compare", str(first), str(second)]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert f"    {whole[0]}" in lines
    assert f"    → {whole[1]}, same content" in lines


@pytest.mark.thorough
def test_the_command_prints_it_in_80_columns(desk, capsys, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    edited(desk, ("audio: b.wav", "audio: b.wav\n  trim: 0.5"), ("Low Lantern", "L" * 300))
    folders = [str(desk / out / "T") for out in ("before", "after")]
    assert main(["compare", *folders]) == 0
    printed = capsys.readouterr().out
    assert "track 2, audio: only the level changed (+0.50 dB, nulls)" in printed
    assert "2 of 3 tracks null; see the differences above" in printed
    assert "all audio" not in printed
    lines = printed.splitlines()[2:]  # the folders' own names stay whole
    assert max(map(len, lines)) <= 80
    assert main(["compare", "--json", *folders]) == 0
    document = json.loads(capsys.readouterr().out)
    assert document["identical"] is False
    assert {"words", "setting", "sound"} <= {one["code"] for one in document["differences"]}
    assert main(["compare", folders[0], folders[0]]) == 0
    assert "no differences; all audio nulls" in capsys.readouterr().out


def test_no_release_is_an_error(desk, tmp_path, capsys):
    assert main(["compare", str(desk / "before" / "T"), str(tmp_path)]) == 1
    message = f"{tmp_path / 'report.json'}: is missing: this is not a finished release"
    assert capsys.readouterr().err.splitlines() == [message]
    assert main(["compare", "--json", str(tmp_path), str(tmp_path)]) == 1
    (finding,) = json.loads(capsys.readouterr().out)["findings"]
    assert finding["message"] == message


def stretch(folder: Path, name: str, pcm: np.ndarray) -> Stretch:
    path = folder / f"{name}.wav"
    soundfile.write(path, pcm.astype(np.int16), RATE_HZ, subtype="PCM_16")
    return Stretch(path, path.name, 16, RATE_HZ, 0, len(pcm))


def dithered(sound: np.ndarray, seed: int) -> np.ndarray:
    draw = np.random.default_rng(seed)
    return np.floor(sound + draw.random(sound.shape) - draw.random(sound.shape) + 0.5)


@pytest.fixture
def music() -> np.ndarray:
    """Twelve seconds of two tones at 16-bit scale, not yet quantised."""
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    return np.stack([6000 * np.sin(2 * np.pi * hz * t) for hz in (311.1, 440.3)], axis=1)


def test_a_gain_under_fresh_dither_leaves_nothing(tmp_path, music):
    a = stretch(tmp_path, "a", dithered(music, 1))
    for gain_db in (0.0, 0.03, -3.0):
        b = stretch(tmp_path, "b", dithered(music * 10 ** (gain_db / 20), 2))
        found = sound_difference(a, b)
        assert found.only_gain
        assert found.gains_db == pytest.approx((gain_db, gain_db), abs=1e-3)


@pytest.mark.parametrize(("lsb", "seconds"), [(1.5, 12), (2, 1), (40, 0.01)])
def test_a_faint_tone_beside_the_gain_is_not_nothing(tmp_path, music, lsb, seconds):
    a = stretch(tmp_path, "a", dithered(music, 1))
    other = music * 10 ** (0.5 / 20)
    there = slice(4 * RATE_HZ if seconds < 12 else 0, None)
    length = round(seconds * RATE_HZ)
    hum = lsb * np.sin(2 * np.pi * 50 * np.arange(length) / RATE_HZ)
    other[there][:length] += hum[:, None]
    found = sound_difference(a, stretch(tmp_path, "b", dithered(other, 2)))
    assert not found.only_gain
    assert found.gains_db == pytest.approx((0.5, 0.5), abs=2e-3)
    if seconds < 12:
        assert found.residual_from_s == pytest.approx(4, abs=0.11)
        assert found.residual_to_s == pytest.approx(4 + seconds, abs=0.11)


def test_each_channel_has_its_gain_and_polarity(tmp_path, music):
    a = stretch(tmp_path, "a", dithered(music, 1))
    b = stretch(tmp_path, "b", dithered(music * [10 ** (1 / 20), 1], 2))
    assert sound_difference(a, b).gains_db == pytest.approx((1, 0), abs=1e-3)
    turned = sound_difference(a, stretch(tmp_path, "c", dithered(-music, 2)))
    assert turned.inverted
    assert turned.only_gain


def test_a_gain_is_found_beside_a_limited_part(tmp_path, music):
    """One second is reduced by 3 dB; the others rise by 1 dB, and that gain is found."""
    a = stretch(tmp_path, "a", dithered(music, 1))
    gain_db = np.ones(len(music))
    gain_db[5 * RATE_HZ : 6 * RATE_HZ] = -2
    other = music * (10 ** (gain_db / 20))[:, None]
    found = sound_difference(a, stretch(tmp_path, "b", dithered(other, 2)))
    assert found.gains_db == pytest.approx((1, 1), abs=1e-3)
    assert found.residual_share == pytest.approx(1 / 12, abs=0.002)
    left = np.abs(other - music * 10 ** (1 / 20)).max() / 32768
    assert found.residual_dbfs == pytest.approx(20 * np.log10(left), abs=0.01)
    assert (found.residual_from_s, found.residual_to_s) == pytest.approx((5, 6), abs=0.01)


def test_a_shift_lines_two_cuts_up(tmp_path, music):
    words = dithered(music, 1)
    a, b = stretch(tmp_path, "a", words[:-700]), stretch(tmp_path, "b", words[1000:])
    found = sound_difference(a, b, shift=1000)
    assert (found.samples, found.differing) == (len(music) - 1700, 0)
    assert (found.only_a_s, found.only_b_s) == pytest.approx(
        (1000 / RATE_HZ, 700 / RATE_HZ), abs=1e-3
    )
    assert not found.identical


def test_values_that_look_the_same_are_written_as_code_points():
    assert from_to("é", "e\u0301") == "`\\xe9` → `e\\u0301`"
    assert from_to("a b", "a\u00a0b").count("`") == 4
    verse = "\n".join(f"line {n}" for n in range(9))
    assert from_to(verse, verse.replace("line 6", "line six")) == (
        "… line 4 line 5 line 6 line 7 line 8 → … line 4 line 5 line six line 7 line 8"
    )


def test_fields_are_written_with_their_labels_and_units():
    old = Track(title="One", audio="a.wav")
    new = Track(title="One", audio="a.wav", pre_emphasis="yes", composers=["A", "B"], overlap="2")
    assert [text for _, *text in field_changes(old, new)] == [
        ["overlap", "none → 2.00 s"],
        ["pre emphasis", "no → yes"],
        ["composers", "none → A, B"],
    ]
