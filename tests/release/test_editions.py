"""Tracks on one edition only: numbers, times, credits, tags, levels and `verify` of each edition.

The cue sheet is read by libcue, tags by TagLib, levels by ffmpeg's ebur128 (BS.1770).
"""

from __future__ import annotations

import json
import re
import shutil
import threading
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import yaml
from disc_readers import by_libcue
from made_music import made_music
from outside import ebur128, tags_by_taglib
from playwright.sync_api import Browser, expect
from proof.browsing import open_page, wait_until

from assembler import FindingsError, build, check, load, verify
from assembler.cache.folder import CacheFolder
from assembler.commands.main import main
from assembler.compare.comparison import compare
from assembler.digest import file_digest
from assembler.finished.finished import UnreadableError, open_finished
from assembler.listen.sound import Sound
from assembler.listen.stretch import NoSoundError
from assembler.manifest import Manifest
from assembler.manifest.editions import played_text
from assembler.mastering.passage import RenderedPassage
from assembler.mastering.render import master
from assembler.preflight.shops import for_shops
from assembler.preflight.trial import try_order
from assembler.proof.approval import read_approval
from assembler.release.tasks import finisher
from assembler.restoration.chain import Resolved
from assembler.verification.other_edition import other_editions
from assembler.verification.pairs import download_pairs

RATE_HZ = 44100
TARGET_LUFS = -20
PEAKS = {"a": 0.1, "b": 0.08, "c": 0.06, "d": 0.3, "e": 0.5}
"""Of the sources: `d` is the loudest on the disc, `e` in the set hi-res."""
SECONDS = 5
TITLES = ("Low Lantern", "Net Loft", "Tide Table", "Ferry Bell", "Slack Tide")
ON: tuple[list[str], ...] = ([], ["disc"], [], ["disc"], ["hi-res"])


def content(on: tuple[list[str], ...] = ON, **level: Any) -> dict[str, Any]:
    """Return a manifest with two tracks on the disc only, and one in one download set only."""
    tracks: list[dict[str, Any]] = [
        {
            "title": title,
            "audio": f"{name}.wav",
            "isrc": f"AA6Q727{n:05d}",
            **({"on": own} if own else {}),
        }
        for n, (title, name, own) in enumerate(zip(TITLES, PEAKS, on, strict=True), 1)
    ]
    tracks[1]["gap"] = 0
    tracks[2]["gap"] = 0
    return {
        "release": {
            "artist": "Halden Ferry Singers",
            "title": "Songs for Slack Water",
            "catalogue_number": "TWE-014",
        },
        "level": {"match": "album", "target": TARGET_LUFS, "ceiling": -1, **level},
        "download": [
            {"name": "shop", "formats": ["flac-16"]},
            {"name": "hi-res", "formats": ["flac-24"]},
        ],
        "tracks": tracks,
        "credits": [
            {"name": "Oda Brenn", "roles": ["voice"], "tracks": [1, 5]},
            {"name": "Mattis Oren", "roles": ["harmonium"], "tracks": [2, 3]},
        ],
    }


def write(folder: Path, manifest: dict[str, Any]) -> Path:
    path = folder / "songs.yaml"
    path.write_text(yaml.safe_dump(manifest, sort_keys=False), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the sources, and the release in `out`."""
    folder = tmp_path_factory.mktemp("editions")
    for seed, (name, peak) in enumerate(PEAKS.items()):
        music = made_music("strings", SECONDS, RATE_HZ, seed)
        level = peak / float(np.abs(music).max())
        soundfile.write(folder / f"{name}.wav", music * level, RATE_HZ, subtype="PCM_24")
    build(load(write(folder, content())), folder / "out")
    return folder


@pytest.fixture
def release(made: Path) -> Path:
    return made / "out" / "TWE-014"


def files(release: Path, folder: str) -> list[Path]:
    return sorted((release / "download" / folder).iterdir())


def findings(report: Any, code: str) -> list[Any]:
    return [one for one in report.findings if one.code == code]


def test_the_disc_has_its_tracks_under_its_numbers(release: Path) -> None:
    sheet = by_libcue((release / "disc" / "TWE-014.cue").read_bytes())
    assert [track.title for track in sheet.tracks] == list(TITLES[:4])
    assert [track.isrc for track in sheet.tracks] == [f"AA6Q727{n:05d}" for n in (1, 2, 3, 4)]
    image = soundfile.info(release / "disc" / "TWE-014.wav")
    assert image.duration == 4 * SECONDS + 2  # two segues, and the gap before track 4
    report = json.loads((release / "report.json").read_text())
    assert report["disc"]["frames"] == 75 * (4 * SECONDS + 2)


def test_each_download_set_has_its_tracks_under_its_numbers(release: Path) -> None:
    for folder, titles in (
        ("shop/flac-16", ["Low Lantern", "Tide Table"]),
        ("hi-res/flac-24", ["Low Lantern", "Tide Table", "Slack Tide"]),
    ):
        found = files(release, folder)
        assert [f.name for f in found] == [f"{n:02d} {t}.flac" for n, t in enumerate(titles, 1)]
        read = [tags_by_taglib(path) for path in found]
        assert [one["TITLE"] for one in read] == [[title] for title in titles]
        assert [one["TRACKNUMBER"] for one in read] == [[str(n + 1)] for n in range(len(titles))]
        assert {one["TRACKTOTAL"][0] for one in read} == {str(len(titles))}
        codes = [f"AA6Q727{TITLES.index(title) + 1:05d}" for title in titles]
        assert [one["ISRC"] for one in read] == [[code] for code in codes]
        people = ["Oda Brenn (voice)", "Mattis Oren (harmonium)", "Oda Brenn (voice)"]
        assert [one["PERFORMER"] for one in read] == [[one] for one in people[: len(titles)]]
        table = json.loads((release / "download" / folder).with_name("release.json").read_text())
        assert [track["title"] for track in table["tracks"]] == titles


def test_each_edition_is_matched_over_its_own_tracks(release: Path, tmp_path: Path) -> None:
    samples, _ = soundfile.read(release / "disc" / "TWE-014.wav", dtype="int16")
    soundfile.write(tmp_path / "ferry-bell.wav", samples[-SECONDS * RATE_HZ :], RATE_HZ)
    loudest = {
        "disc": tmp_path / "ferry-bell.wav",
        "shop": files(release, "shop/flac-16")[0],
        "hi-res": files(release, "hi-res/flac-24")[2],
    }
    for edition, path in loudest.items():
        assert ebur128(path)["I"] == pytest.approx(TARGET_LUFS, abs=0.15), edition


def test_verify_reads_every_edition(made: Path, release: Path) -> None:
    report = verify(release, sources=made)
    assert report.ok, report.findings
    counts = dict(one.split(": ") for one in report.proofs)
    assert counts["track levels on the image"] == "4"
    assert counts["download files' tags"] == "5"
    assert counts["tracks with their sources"] == "9"
    assert counts["proof pages with pictures"] == "1"
    assert counts["download files' sound"] == "4"  # tracks 1 and 3 of both sets with the image
    assert [(one.severity, one.message) for one in report.findings] == [
        ("note", "the download set hi-res, track 3: not compared with the image: not on the disc")
    ]


def differences(folder: Path) -> list[tuple[str, str, str]]:
    """Compare the sets of other tracks than the disc with the image, as `verify` does."""
    others = other_editions(open_finished(folder))
    checks = [check for other in others for _, check in download_pairs(other.own, other)]
    return [(one.code, one.file, one.message) for check in checks for one in check()]


def test_a_set_of_other_tracks_is_compared_with_the_image(release: Path, tmp_path: Path) -> None:
    copy = tmp_path / "TWE-014"
    shutil.copytree(release, copy)
    path = files(copy, "shop/flac-16")[1]
    samples, _ = soundfile.read(path, dtype="int16")
    soundfile.write(path, samples[:, ::-1], RATE_HZ)
    message = "does not match track 3 in the image: left and right are swapped"
    assert differences(copy) == [
        ("other-channels", "download/shop/flac-16/02 Tide Table.flac", message)
    ]


@pytest.mark.thorough
def test_the_same_passage_at_the_same_gain_is_compared_sample_for_sample(
    made: Path, tmp_path: Path
) -> None:
    """Track 3 is crossfaded with one that the sets lack, in them with 1; 4 is alone everywhere."""
    manifest = content(([], ["disc"], [], [], ["hi-res"]), match="none")
    manifest["tracks"][1]["gap"] = 2
    del manifest["tracks"][2]["gap"]
    manifest["tracks"][2]["overlap"] = 1
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest, sort_keys=False))
    folder = build(load(path), tmp_path / "out").release_dir
    assert differences(folder) == []
    notes = [note for one in other_editions(open_finished(folder)) for note in one.not_compared()]
    crossfades = "tracks 1, 2: not compared with the image: on the disc their crossfades differ"
    assert [one.message.partition(", ")[2] for one in notes] == [
        crossfades, crossfades, "track 4: not compared with the image: not on the disc",
    ]  # fmt: skip
    changed = []
    for name, bits, step in (("shop/flac-16", 16, 1 << 16), ("hi-res/flac-24", 24, 4 << 16)):
        file = files(folder, name)[2]
        samples, _ = soundfile.read(file, dtype="int32")
        samples[RATE_HZ] += step
        soundfile.write(file, samples, RATE_HZ, subtype=f"PCM_{bits}")
        message = "has other samples than disc/TWE-014.wav from 0:01.00 on"
        changed.append(("other-samples", f"download/{name}/03 Ferry Bell.flac", message))
    assert differences(folder) == changed


def test_verify_finds_an_edition_with_other_tracks(release: Path, tmp_path: Path) -> None:
    copy = tmp_path / "TWE-014"
    shutil.copytree(release, copy)
    report = json.loads((copy / "report.json").read_text())
    hi_res = next(one for one in report["editions"] if one["name"] == "hi-res")
    hi_res["tracks"][2]["track"] = 4
    (copy / "report.json").write_text(json.dumps(report))
    with pytest.raises(UnreadableError, match="hi-res does not have the manifest's tracks"):
        open_finished(copy)


def test_the_report_has_no_place_for_a_track_on_other_editions(release: Path) -> None:
    report = json.loads((release / "report.json").read_text())
    assert [track["number"] for track in report["tracks"]] == [1, 2, 3, 4, None]
    assert report["tracks"][4]["disc"] is None and report["tracks"][4]["frames"] is None
    assert [[*track["sets"]] for track in report["tracks"][:1]] == [["shop", "hi-res"]]
    assert [*report["tracks"][4]["sets"]] == ["hi-res"]
    places = {
        one["name"]: [(t["track"], t["number"]) for t in one["tracks"]]
        for one in report["editions"]
    }
    assert places == {"shop": [(1, 1), (3, 2)], "hi-res": [(1, 1), (3, 2), (5, 3)]}


def test_sheets_list_the_disc_and_then_what_it_lacks(release: Path) -> None:
    sheet = (release / "paper" / "credits-sheet.txt").read_text()
    lists = sheet[sheet.index("Track list\n") : sheet.index("Booklet")]
    assert re.findall(r"(?m)^(\d)\t([^\t]+)\t", lists) == [
        *((str(n), title) for n, title in enumerate(TITLES[:4], 1)),
        ("3", "Slack Tide"),
    ]
    assert "Track list, hi-res only" in lists
    assert "Oda Brenn – voice (1; hi-res only: 3)" in sheet
    assert "Mattis Oren – harmonium (2, 3)" in sheet
    copy = (release / "paper" / "label-copy.txt").read_text()
    assert "Hi-res only, track 3\n" in copy and copy.count("Only on: disc\n") == 2
    assert "\nTracks: 4\n" in copy and "\nTracks, hi-res only: 1\n" in copy


def test_the_proof_plays_every_track(release: Path) -> None:
    page = (release / "proof" / "index.html").read_text()
    played = re.findall(r'class="play" href="\.\./(proof/tracks/\d\d\.mp3)"', page)
    assert played == [f"proof/tracks/{n:02d}.mp3" for n in (1, 2, 3, 4, 5)]
    assert "Slack Tide (hi-res only)" in page
    heard = [soundfile.info(release / path).duration for path in played]
    assert heard[4] == pytest.approx(SECONDS, abs=0.1)


HEARD = (
    "Played here: the disc, 1 track of the download set hi-res. Not played here: the download set "
    "shop, the rest of the download set hi-res."
)


@pytest.mark.thorough
@pytest.mark.wants("chromium")
def test_the_approval_file_names_the_editions_that_were_played(
    browser: Browser, release: Path, tmp_path: Path
) -> None:
    with open_page(browser, release / "proof" / "index.html") as opened:
        page = opened.page
        page.locator("#tracks button.play").nth(4).click()
        wait_until(page, "document.querySelector('audio').currentTime > 2.2", most_s=60)
        expect(page.locator("#approval")).to_contain_text(HEARD)
        page.locator("[name=name]").fill("Ines Falk")
        with page.expect_download() as saved:
            page.get_by_role("button", name="Save the approval file").click()
        saved.value.save_as(tmp_path / "got.json")
        assert opened.complaints == []
    heard = read_approval(tmp_path / "got.json").heard
    assert heard and heard.editions == HEARD
    copies = [file_digest(release / f"proof/tracks/{n:02d}.mp3") for n in range(1, 6)]
    assert [track.file for track in heard.tracks] == copies
    assert [track.played > 0 for track in heard.tracks] == [False] * 4 + [True]
    assert str(heard).endswith(f"0 % of 1–4. {HEARD}")


def test_what_a_proof_plays_in_words() -> None:
    """Sets at the disc's level with its tracks are heard with it; others are named."""
    every: tuple[list[str], ...] = tuple([] for _ in ON)
    same = Manifest.model_validate(content(every))
    assert played_text(same, None, range(5)) == played_text(same, "shop", range(5)) == ""
    quiet = content(every)
    quiet["download"][1]["level"] = {"target": -23}
    quiet["tracks"][4]["on"] = "disc"
    assert played_text(Manifest.model_validate(quiet), None, range(5)) == (
        "Played here: the disc. Not played here: the download set shop, the download set hi-res."
    )
    alone = Manifest.model_validate(content((*(["disc", "shop"] for _ in range(4)), ["hi-res"])))
    assert played_text(alone, None, range(5)) == ""
    assert played_text(alone, None, range(4)) == (
        "Played here: the disc, the download set shop. Not played here: the download set hi-res."
    )


def test_a_join_that_an_edition_breaks_is_a_warning(made: Path) -> None:
    found = findings(check(load(write(made, content()))), "join-on-one-edition")
    shop, hi_res = (one.message for one in found)
    assert shop.startswith(
        "the download set shop has no track 2, so track 1 ends without its join to track 2 and "
        "track 3 is joined to track 1: listen to it"
    )
    assert hi_res.startswith("the download set hi-res has no track 2, so")


def test_on_all_editions_is_the_same_as_no_key(made: Path, tmp_path: Path) -> None:
    everywhere: tuple[list[str], ...] = tuple([] for _ in ON)
    named: tuple[list[str], ...] = (
        ["disc", "download"],
        ["download", "disc"],
        [],
        ["disc", "shop", "hi-res"],
        [],
    )
    folders = []
    for name, on in (("plain", everywhere), ("named", named)):
        path = write(made, content(on))
        built = build(load(path), tmp_path / name, only=("disc", "download", "paper"))
        folders.append(built.release_dir)
    write(made, content())
    one, other = (
        {
            path.relative_to(folder): path.read_bytes()
            for room in ("disc", "download", "paper")
            for path in (folder / room).rglob("*")
            if path.is_file()
        }
        for folder in folders
    )
    assert one == other and len(one) > 20


@pytest.mark.parametrize("form", ["flac-24", pytest.param("mp3-320", marks=pytest.mark.thorough)])
def test_a_passage_that_two_editions_have_alike_is_rendered_once(
    form: str, made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each rendering waits for another of its tracks, so that two at the same time would meet."""
    manifest = content((["shop"], [], [], ["hi-res"], ["hi-res"]), match="none")
    manifest["tracks"][1]["gap"] = manifest["tracks"][2]["gap"] = 2
    manifest["disc"] = {"make": False}
    for one in manifest["download"]:
        one["formats"] = [form]
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest, sort_keys=False))
    meeting = [threading.Barrier(2) for _ in TITLES]
    rendered: list[int] = []
    render = master

    def slow(passage: RenderedPassage, *how: Any) -> Any:
        (index,) = (section.index for section in passage.sections)
        rendered.append(index)
        with suppress(threading.BrokenBarrierError):
            meeting[index].wait(0.2)
        return render(passage, *how)

    monkeypatch.setattr(finisher, "master", slow)
    monkeypatch.setenv("ASSEMBLER_STORE", str(tmp_path / "store"))
    report = build(load(path), tmp_path / "out", only=("download",), jobs=2)
    assert sorted(rendered) == [0, 1, 2, 2, 3, 4]  # track 3 has other silence after it
    shop, hi_res = (files(report.release_dir, f"{name}/{form}") for name in ("shop", "hi-res"))
    assert (shop[1].stem, hi_res[0].stem) == ("02 Net Loft", "01 Net Loft")
    assert np.array_equal(*(soundfile.read(path)[0] for path in (shop[1], hi_res[0])))


@pytest.mark.parametrize(
    ("on", "line"),
    [
        ([], "the list is empty: name at least one"),
        (["vinyl"], "there is no edition `vinyl`: write `disc`, `download`, or the name of a "
                    "download set (shop, hi-res)"),
    ],
)  # fmt: skip
def test_a_wrong_edition_is_one_clear_line(tmp_path: Path, on: list[str], line: str) -> None:
    manifest = content()
    manifest["tracks"][4]["on"] = on
    with pytest.raises(FindingsError) as error:
        load(write(tmp_path, manifest))
    (finding,) = error.value.findings
    assert (finding.message, finding.where.startswith("tracks[4].on")) == (line, True)


def test_tracks_and_editions_without_each_other_are_errors(made: Path) -> None:
    manifest = content()
    manifest["disc"] = {"make": False}
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    (first, _) = findings(check(load(path)), "track-on-nothing")
    assert first.message == (
        "track 2 is on disc only, and the release is made for shop and hi-res: correct `on`, or "
        "remove the track"
    )
    path.write_text(yaml.safe_dump(content((["disc"],) * 4 + (["hi-res"],))))
    (empty,) = findings(check(load(path)), "empty-edition")
    assert empty.message.startswith("no track is on the download set shop: ")


def test_an_overlap_needs_room_on_each_edition(made: Path) -> None:
    manifest = content()
    manifest["tracks"][0]["end"] = 1.5
    del manifest["tracks"][2]["gap"]
    manifest["tracks"][2]["overlap"] = 2
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    (found,) = findings(check(load(path)), "overlap-too-long")
    assert found.where == "tracks[2].overlap"
    assert found.message.startswith(
        "on the download set shop track 3 follows track 1, which is too short for the overlap"
    )


def test_an_isrc_may_be_on_two_tracks_of_different_editions(made: Path) -> None:
    manifest = content()
    manifest["tracks"][4]["isrc"] = manifest["tracks"][3]["isrc"]
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    assert not findings(check(load(path)), "duplicate-isrc")
    manifest["tracks"][4]["on"] = ["hi-res", "disc"]
    path.write_text(yaml.safe_dump(manifest))
    assert len(findings(check(load(path)), "duplicate-isrc")) == 1


def test_disc_time_counts_the_disc_alone(made: Path) -> None:
    manifest = content()
    manifest["disc"] = {"limit": "0:22"}
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    report = check(load(path))
    assert report.ok and report.as_json()["disc"]["frames"] == 22 * 75
    tried = try_order(report, [4])
    assert [place.index for disc in tried.discs for place in disc.places] == [0, 1, 2]
    manifest["tracks"][4]["on"] = ["hi-res", "disc"]
    path.write_text(yaml.safe_dump(manifest))
    assert findings(check(load(path)), "over-disc-limit")


def test_rules_of_shops_hold_for_what_they_sell(made: Path) -> None:
    manifest = content()
    for index in (3, 4):
        manifest["tracks"][index]["title"] += " (Explicit)"
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    report = for_shops(check(load(path)))
    assert [one.where for one in findings(report, "advisory-in-title")] == ["tracks[4].title"]
    assert [one for one in report.findings if one.message.startswith("tracks 1, 3, 5: ")]


def test_silence_is_found_once_and_at_the_end_of_files_alone(made: Path) -> None:
    sound, _ = soundfile.read(made / "a.wav")
    silence = np.zeros((11 * RATE_HZ, 2))
    soundfile.write(
        made / "quiet.wav", np.concatenate((silence[:RATE_HZ], sound, silence)), RATE_HZ
    )
    manifest = content()
    for index in (2, 3):
        manifest["tracks"][index] |= {"audio": "quiet.wav", "gap": 2}
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(manifest))
    report = check(load(path))
    assert [one.where for one in findings(report, "silent-head")] == ["tracks[2]", "tracks[3]"]
    assert {one.where for one in findings(report, "long-silence")} == {"tracks[2]"}


def test_check_shows_the_other_editions(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(write(made, content()))]) == 0
    shown = capsys.readouterr().out
    assert "The download set shop: 2 tracks" in shown
    assert "The download set hi-res: 3 tracks" in shown
    assert shown.count("Ferry Bell") == 1 and shown.count("Low Lantern") == 3


def test_the_listening_page_plays_joins_of_the_disc_and_every_track(
    made: Path, tmp_path: Path
) -> None:
    on: tuple[list[str], ...] = ([], ["hi-res"], [], ["disc"], ["hi-res"])
    path = made / "other.yaml"
    path.write_text(yaml.safe_dump(content(on)))
    sound = Sound(
        CacheFolder(tmp_path), tmp_path, lambda: None, lambda _: Resolved(), threading.Lock()
    )
    try:
        sound.settle(check(load(path)))
        played = sound.join(0, 2, 1, 1)
        assert (len(played.pcm), played.rate_hz) == (2 * RATE_HZ, RATE_HZ)
        for before, index in ((0, 1), (1, 2), (3, 4)):
            with pytest.raises(NoSoundError):
                sound.join(before, index, 1, 1)
        assert all(np.any(sound.track(index, 1, 2).pcm) for index in range(5))
    finally:
        sound.close()


def answered(release: Path) -> dict[str, Any]:
    """Return what the page saves when everything is ticked."""
    report = json.loads((release / "report.json").read_text())
    page = (release / "proof" / "index.html").read_text()
    verdicts = re.findall(r'data-kind="(\w+)" data-key="([^"]+)"', page)

    def of_kind(kind: str) -> list[dict[str, Any]]:
        keys = [key for own, key in verdicts if own == kind]
        return [{"key": key, "title": "", "approved": True, "remark": ""} for key in keys]

    return {
        "approval": 1,
        "release": report["name"],
        "proof_of": report["proof_of"],
        "approved": True,
        "name": "Ines Falk",
        "remark": "",
        "tracks": of_kind("track"),
        "joins": of_kind("join"),
        "parts": of_kind("part"),
        "sound": report["sound"],
    }


@pytest.mark.thorough
def test_a_hold_keeps_the_gains_of_each_edition(made: Path, tmp_path: Path) -> None:
    folder = tmp_path / "desk"
    shutil.copytree(made, folder)
    saved, path = folder / "saved.json", write(folder, content())
    saved.write_text(json.dumps(answered(folder / "out" / "TWE-014")))
    assert main(["approve", str(saved), str(path)]) == 0
    music = made_music("strings", SECONDS, RATE_HZ, 77)
    louder = 0.9 * music / float(np.abs(music).max())
    soundfile.write(folder / "e.wav", louder, RATE_HZ, subtype="PCM_24")
    free = build(load(path), folder / "free")
    held = build(load(write(folder, content(hold="approved"))), folder / "held")
    (note,) = findings(held, "held")
    assert "tracks 1–4: keep their approved gain; track 5: replaced" in note.message
    assert not findings(held, "held-not-ticked")
    before, hi_res = folder / "out" / "TWE-014", "hi-res/flac-24"
    moved, kept = (compare(before, report.release_dir).proofs for report in (free, held))
    assert any(one.startswith(f"{hi_res}: 3 tracks") and "0 tracks null" in one for one in moved)
    assert any(one.startswith(f"{hi_res}: 3 tracks") and "2 tracks null" in one for one in kept)
    assert any(one.startswith("disc image: 4 tracks") and "4 tracks null" in one for one in kept)
    loudness = [ebur128(files(one, hi_res)[2])["I"] for one in (before, held.release_dir)]
    assert loudness[0] == pytest.approx(loudness[1], abs=0.15)
    verified = verify(held.release_dir)
    assert verified.ok, verified.findings
