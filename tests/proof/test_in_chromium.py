"""The proof's page in headless Chromium, opened from its file; checked by axe-core."""

from __future__ import annotations

import json
import re
import shutil
import zipfile
from dataclasses import replace
from datetime import date
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import soundfile
from axe_playwright_python.sync_playwright import Axe
from made_music import made_music
from outside import output_of
from playwright.sync_api import Browser, Page
from proof.browsing import Opened, open_page, wait_until
from proof.finished_proof import HOSTILE, made_up_proof

from assembler import build, load
from assembler.digest import file_digest
from assembler.proof.approval import approved, read_approval, store_approval
from assembler.proof.content import Proof
from assembler.proof.mail import write_pictures
from assembler.proof.page import write_page

pytestmark = [pytest.mark.wants("chromium"), pytest.mark.thorough]
LOW_VOLUME = 0.2
ODD_TITLES = ["長い夜の港" * 60, "أغنية المد والجزر " * 17, "Wide" * 75, HOSTILE]


def written(folder: Path, proof: Proof) -> Path:
    """Write a proof's page and pictures and give the page's file."""
    write_page(folder, proof)
    write_pictures(folder, proof)
    return folder / "index.html"


def focused(page: Page) -> tuple[str, str]:
    """Return the kind and the name, or text, of what has the focus."""
    return tuple(
        page.evaluate(
            "(e => [e.tagName, e.name || e.getAttribute('href') || e.ariaLabel || e.textContent])"
            "(document.activeElement)"
        )
    )


def test_nothing_to_complain_of_and_no_request_leaves_the_release(
    opened: Opened, small_release: Path
) -> None:
    for button in opened.page.locator("button.play").all():
        button.click()  # what is still loading when another begins counts as failed
        wait_until(opened.page, "document.querySelector('audio').readyState >= 2")
    assert opened.complaints == []
    assert len(opened.requests) > 5
    assert all(url.startswith(f"{small_release.as_uri()}/") for url in opened.requests)


def test_every_player_loads_and_begins_at_a_low_volume(opened: Opened) -> None:
    page = opened.page
    buttons = page.locator("button.play").all()
    assert len(buttons) == 4 + 3
    for button in buttons:
        button.click()
        wait_until(page, "document.querySelector('audio').readyState >= 2")
        audio: dict[str, Any] = page.evaluate(
            "(a => ({s: a.duration, volume: a.volume, error: a.error, paused: a.paused}))"
            "(document.querySelector('audio'))"
        )
        assert audio["s"] > 9
        assert audio["volume"] <= LOW_VOLUME
        assert audio["error"] is None
        assert not audio["paused"]
        assert page.locator("button.play.on").count() == 1
    assert "turn your volume down before you play" in page.locator(".caution").first.inner_text()


def test_a_hostile_title_shows_as_text_everywhere(opened: Opened) -> None:
    page = opened.page
    assert page.locator("#tracks .name").nth(2).inner_text() == HOSTILE
    assert page.locator("#joins .name").nth(1).inner_text().endswith(HOSTILE)
    assert page.locator(".levels tbody th").nth(2).inner_text() == HOSTILE
    assert HOSTILE in page.locator("#words").inner_text()
    labels = page.locator(".picture text").all_text_contents()
    assert f"3 {HOSTILE}" in labels
    assert page.locator("img").count() == page.locator("script:not([src])").count() - 1 == 0
    assert opened.complaints == []


def test_the_picture_shows_the_measured_levels(opened: Opened, small_proof: Proof) -> None:
    page, (stretch,) = opened.page, small_proof.discs[0].stretches
    picture = page.locator(".picture")
    picture.focus()
    page.keyboard.press("Home")
    for second in range(1, 50):
        page.keyboard.press("ArrowRight")
        text = (picture.get_attribute("aria-valuetext") or "").replace("−", "-")
        curves, step = stretch.curves, second * 10
        if second > 3:
            lufs = re.search(r"loudness (-[\d.]+) LUFS", text)
            assert lufs, text
            assert float(lufs[1]) == pytest.approx(curves.short_term_lufs[step], abs=0.06)
        for name, curve in (("peak", curves.peak_dbfs), ("RMS", curves.rms_dbfs)):
            level = re.search(rf"{name} (?:(-[\d.]+) dBFS|silence)", text)
            assert level, text
            assert float(level[1] or -120) == pytest.approx(curve[step], abs=0.06)
    assert page.locator(".reading").inner_text().replace("−", "-") == text


def test_the_picture_is_to_scale(opened: Opened, small_proof: Proof) -> None:
    edges = opened.page.locator(".picture .edge").evaluate_all(
        "lines => lines.map(line => Number(line.getAttribute('x1')))"
    )
    starts = [place.start_frame for place in small_proof.discs[0].order.places]
    rates = [
        (b - a) / (d - c) for (a, b), (c, d) in zip(pairwise(edges), pairwise(starts), strict=True)
    ]
    assert rates == pytest.approx([rates[0]] * 3, rel=1e-3)
    assert opened.page.locator(".picture .point").count() == 2
    (overlap,) = opened.page.locator(".picture .overlap").evaluate_all(
        "rects => rects.map(rect => Number(rect.getAttribute('width')))"
    )
    assert overlap == pytest.approx(2.5 * 75 * rates[0], rel=1e-3)
    assert "hidden" in opened.page.locator(".picture text").all_text_contents()


def test_pointing_shows_levels_and_clicking_plays(opened: Opened) -> None:
    page = opened.page
    box = page.locator(".picture svg").first.bounding_box()
    assert box
    page.mouse.move(box["x"] + box["width"] - 60, box["y"] + 60)
    assert "track 4 Bell Buoy" in page.locator(".reading").inner_text()
    page.mouse.click(box["x"] + box["width"] - 60, box["y"] + 60)
    wait_until(page, "document.querySelector('audio').currentTime > 5")
    assert page.locator("button.play.on").inner_text().startswith("Pause")


def test_the_keyboard_reaches_and_works_everything(opened: Opened) -> None:
    page = opened.page
    walked: list[Any] = []
    while True:
        page.keyboard.press("Tab")
        if focused(page)[0] == "BODY" or len(walked) > 200:
            break
        walked.append(focused(page))
        outline = page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        assert outline != "none", walked[-1]
    names = [name for _, name in walked]
    assert names[0] == "#picture"
    for wanted in ("#tracks", "#joins", "#words", "#levels", "#approval"):
        assert wanted in names
    fields = page.locator("input, textarea").evaluate_all("all => all.map(one => one.name)")
    buttons = page.locator("form button").count()
    assert [name for kind, name in walked if kind in ("INPUT", "TEXTAREA")] == fields
    assert len([kind for kind, _ in walked if kind == "BUTTON"]) == buttons
    assert [name for kind, name in walked if kind == "DIV" and "Place in" in name]

    picture = page.locator(".picture")
    picture.focus()
    page.keyboard.press("Home")
    page.keyboard.press("ArrowUp")
    page.keyboard.press("ArrowUp")
    assert "track 2 Undertow at 0:00.0" in (picture.get_attribute("aria-valuetext") or "")
    page.keyboard.press("Enter")
    wait_until(page, "document.querySelector('audio').currentSrc.includes('Undertow')")
    page.locator("[name=track-1]").focus()
    page.keyboard.press("Space")
    assert page.locator(".tally").inner_text().startswith("Ticked so far: 1 of 4 tracks")


@pytest.mark.parametrize("width", [360, 1280])
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_core_finds_no_violation(
    browser: Browser, small_release: Path, small_proof: Proof, width: int, scheme: str
) -> None:
    assert small_proof.has_clips
    look = {"viewport": {"width": width, "height": 800}, "color_scheme": scheme}
    with open_page(browser, small_release / "proof" / "index.html", **look) as opened:
        opened.page.locator("button.play").first.click()
        found = Axe().run(opened.page).response
    assert len(found["passes"]) > 20
    assert [
        (one["id"], [node["html"] for node in one["nodes"]]) for one in found["violations"]
    ] == []


def test_the_form_keeps_its_entries_and_writes_them_out(
    opened: Opened, small_proof: Proof, tmp_path: Path
) -> None:
    page = opened.page
    page.locator("[name=track-3]").check()
    page.locator("[name=track-3-remark]").fill("Ferryman’s „Grace“ <b>\n2nd line")
    page.locator("[name=join-01-02]").check()
    page.locator("[name=name]").fill("Ines Falk")
    page.locator("[name=approved]").check()
    days = [date.today().isoformat()]
    page.reload()
    assert page.locator("[name=track-3]").is_checked()
    with page.expect_download() as saved:
        page.get_by_role("button", name="Save the approval file").click()
    assert saved.value.suggested_filename == "TWE-016.approval.json"
    saved.value.save_as(tmp_path / "got.json")
    approval = read_approval(tmp_path / "got.json")
    assert (approval.release, approval.proof_of) == ("TWE-016", small_proof.proof_of)
    assert (approval.approved, approval.name) == (True, "Ines Falk")
    assert approval.date in (*days, date.today().isoformat())
    assert [verdict.approved for verdict in approval.tracks] == [False, False, True, False]
    assert approval.tracks[2].title == HOSTILE
    assert approval.tracks[2].remark == "Ferryman’s „Grace“ <b>\n2nd line"
    assert [verdict.key for verdict in approval.joins if verdict.approved] == ["01-02"]
    assert [verdict.key for verdict in approval.parts] == ["words", "levels"]
    store_approval(approval, tmp_path / "songs.yaml")
    assert approved(tmp_path / "songs.yaml") == approval
    assert opened.complaints == []


def test_twenty_tracks_of_four_minutes_are_small_and_all_drawn(
    browser: Browser, tmp_path: Path
) -> None:
    page = written(tmp_path, made_up_proof([f"Song {n}" for n in range(1, 21)]))
    assert sum(file.stat().st_size for file in tmp_path.iterdir()) < 2_000_000
    with open_page(browser, page) as opened:
        assert opened.page.locator(".picture .edge").count() == 20
        assert opened.complaints == []


@pytest.mark.parametrize(
    ("titles", "changes"),
    [
        ([f"Song {n}" for n in range(1, 100)], {"length_s": 45.0}),
        (["Seventy Minutes of Slack Water"], {"length_s": 4200.0}),
        (["Nothing to Hear"], {"length_s": 60.0, "silent": True}),
        (ODD_TITLES, {"length_s": 30.0}),
    ],
    ids=["99 tracks", "70 minutes", "silence", "odd titles"],
)
@pytest.mark.parametrize("width", [360, 1280])
def test_odd_releases_fit_the_page(
    browser: Browser, tmp_path: Path, titles: list[str], changes: dict[str, Any], width: int
) -> None:
    page = written(tmp_path, made_up_proof(titles, **changes))
    with open_page(browser, page, viewport={"width": width, "height": 800}) as opened:
        assert opened.page.locator("#tracks .name").all_inner_texts() == [
            " ".join(title.split()) for title in titles
        ]
        assert opened.page.locator(".picture .edge").count() == len(titles)
        assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
        assert opened.complaints == []


@pytest.mark.thorough
def test_it_prints(small_release: Path, opened: Opened) -> None:
    pdf = small_release.parent / "printed.pdf"
    opened.page.pdf(path=pdf, format="A4", print_background=True)
    text = output_of("pdftotext", "-layout", pdf, "-", package="poppler-utils")
    for wanted in ("Songs for Slack Water", "100% Tide #1?", HOSTILE, "I approve this release"):
        assert wanted in text
    assert "Save the approval file" not in text


def test_without_scripts_it_still_plays_and_can_be_printed(
    browser: Browser, small_release: Path, small_proof: Proof
) -> None:
    page = small_release / "proof" / "index.html"
    with open_page(browser, page, java_script_enabled=False) as opened:
        links = [link.get_attribute("href") for link in opened.page.locator("a.play").all()]
        assert "turn it down first" in opened.page.locator(".title-page").inner_text()
        assert opened.page.locator("img.plain").is_visible()
    assert len(links) == len(small_proof.tracks) + 3
    assert json.dumps(links).count("joins/") == 3


@pytest.mark.parametrize("titles", [["One", "Two"], ODD_TITLES])
def test_tables_are_read_whole_on_a_telephone(
    browser: Browser, tmp_path: Path, titles: list[str]
) -> None:
    page = written(tmp_path, made_up_proof(titles))
    with open_page(browser, page, viewport={"width": 400, "height": 800}) as opened:
        for name in ("levels", "sources"):
            box, room = opened.page.evaluate(
                f"(t => [t.getBoundingClientRect().right, document.documentElement.clientWidth])"
                f"(document.querySelector('table.{name}'))"
            )
            assert box <= room + 1
            scrolls = opened.page.evaluate(
                f"(w => w.scrollWidth - w.clientWidth)"
                f"(document.querySelector('table.{name}').parentElement)"
            )
            assert scrolls <= 1
        cell = opened.page.locator("table.levels td[data-label='Disc: LUFS']").first
        assert cell.is_visible()
        label = cell.evaluate("c => getComputedStyle(c, '::before').content")
        assert "Disc: LUFS" in label


def test_a_missing_file_is_reported(browser: Browser, tmp_path: Path) -> None:
    proof = made_up_proof(["One"])
    track = replace(proof.tracks[0], listen="download/mp3-320/01 One.mp3")
    page = written(tmp_path / "proof", replace(proof, tracks=(track,)))
    with open_page(browser, page) as opened:
        opened.page.locator("button.play").first.click()
        wait_until(opened.page, "document.querySelector('.playing').textContent.includes('01 One')")
        text = opened.page.locator(".playing").inner_text()
        assert "missing or damaged" in text
        assert "can’t play" not in text


@pytest.fixture(scope="module")
def mailed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The page of a mailed proof, unpacked alone into a folder with an odd name."""
    folder = tmp_path_factory.mktemp("mailed")
    for number, kind in enumerate(("plucked", "strings"), 1):
        music = made_music(kind, 20, 44100)
        soundfile.write(folder / f"{number}.wav", music, 44100, subtype="PCM_24")
    manifest = {
        "release": {"artist": "A", "title": HOSTILE, "catalogue_number": "TWE-017"},
        "download": {"formats": []},
        "proof": {"zip_limit": 1},
        "tracks": [
            {"title": title, "audio": f"{n}.wav"} for n, title in ((1, "One"), (2, HOSTILE))
        ],
    }
    (folder / "m.yaml").write_text(json.dumps(manifest), encoding="utf-8")
    release = build(load(folder / "m.yaml"), folder / "out", packages=True).release_dir
    alone = folder / "Entwürfe für Zoë #2 (50 %)"
    with zipfile.ZipFile(release / "proof" / "proof.zip") as archive:
        archive.extractall(alone)
    shutil.rmtree(release)
    return alone / "TWE-017 proof" / "index.html"


def test_a_mailed_proof_plays_alone_and_asks_for_nothing_else(
    browser: Browser, mailed: Path
) -> None:
    with open_page(browser, mailed) as opened:
        page = opened.page
        for button in page.locator("button.play").all():
            button.click()
            wait_until(page, "document.querySelector('audio').readyState >= 2")
        assert page.locator("button.play").count() == 3
        assert "Opus at" in page.locator(".title-page").inner_text()
        assert HOSTILE in page.locator("h1").inner_text()
        assert opened.complaints == []
        assert all(url.startswith(f"{mailed.parent.as_uri()}/") for url in opened.requests)
        assert not [url for url in opened.requests if "%2E" in url or "/../" in url]


@pytest.mark.parametrize("keyboard_only", [False, True])
def test_a_remark_made_while_playing_has_its_time_and_goes_there(
    browser: Browser, mailed: Path, tmp_path: Path, keyboard_only: bool
) -> None:
    with open_page(browser, mailed) as opened:
        page = opened.page
        play = page.locator("#tracks button.play").first
        remark = page.locator("[name=track-1-remark]")
        if keyboard_only:
            play.focus()
            page.keyboard.press("Enter")
        else:
            play.click()
        wait_until(page, "document.querySelector('audio').currentTime > 3.2")
        remark.focus()
        page.keyboard.type("voice too low")
        page.keyboard.press("Enter")
        page.keyboard.type("and here")
        value = remark.input_value()
        first, second = (re.fullmatch(r"0:(\d\d\.\d) (.+)", line) for line in value.split("\n"))
        assert (first[2], second[2]) == ("voice too low", "and here")
        assert 3.2 <= float(first[1]) <= float(second[1])
        page.locator("[name=track-2-remark]").focus()
        page.keyboard.type("does not play")
        assert page.locator("[name=track-2-remark]").input_value() == "does not play"
        page.evaluate("document.querySelector('audio').currentTime = 12")
        to = page.get_by_role("button", name=f"Play from 0:{first[1]}: Track 1, One").first
        to.press("Enter") if keyboard_only else to.click()
        wait_until(page, "document.querySelector('audio').currentTime < 8")
        reached = page.evaluate("document.querySelector('audio').currentTime")
        assert reached >= float(first[1]) - 0.05
        page.locator("[name=name]").fill("Ines Falk")
        with page.expect_download() as saved:
            page.get_by_role("button", name="Save the approval file").click()
        saved.value.save_as(tmp_path / "got.json")
        assert opened.complaints == []
    approval = read_approval(tmp_path / "got.json")
    assert approval.tracks[0].remark == value
    heard = approval.heard
    assert heard.audio.startswith("Opus at ")
    files = [file_digest(mailed.parent / f"audio/0{n}.opus") for n in (1, 2)]
    assert [track.file for track in heard.tracks] == files
    assert 0.1 <= heard.tracks[0].played <= 0.6
    assert heard.tracks[1].played == 0
    assert approval.sound.masters[0].name == "disc"
    assert "0 % of 2" in str(heard)
