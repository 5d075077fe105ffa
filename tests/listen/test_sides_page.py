"""A tape job on the page in Chromium, from the survey to finished tracks, by mouse and keyboard."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import soundfile
from listen.serving import Served, serving
from listen.test_listen_page import Opened, faults
from playwright.sync_api import Browser, expect
from restoration.made_sides import RATE_HZ, side, silence, song

from assembler.manifest import load

pytestmark = [pytest.mark.wants("chromium"), pytest.mark.thorough]
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-018}
disc: {make: false}
download: {formats: [flac-24]}
transfers:
  A:
    file: a.wav   # the second pass
tracks:
  - {title: Side A, from: A}
"""
BEGINS_S = (4, 27, 51)
CUT = MANIFEST.replace(
    "  - {title: Side A, from: A}\n",
    """\
  - {title: Low Lantern, from: A, start: 4, end: 24}
  - title: Tide Table
    from: A
    start: 0:27.000   # by ear
    end: 47
  - {title: Weir, from: A, start: 51, end: 71}
""",
)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    folder: Path = tmp_path_factory.mktemp("tape")
    songs = [song(20, hz=hz) for hz in (220, 330, 275)]
    sound = side(silence(4), songs[0], silence(3), songs[1], silence(4), songs[2], silence(3))
    sound = sound + np.float32(0.01)  # DC offset
    soundfile.write(folder / "a.wav", sound, RATE_HZ, subtype="PCM_24")
    path = folder / "tape.yaml"
    path.write_text(MANIFEST, encoding="utf-8")
    with serving(path) as served:
        yield served


@pytest.fixture
def opened(browser: Browser, job: Served, request: pytest.FixtureRequest) -> Iterator[Opened]:
    text, before = getattr(request, "param", CUT), job.release()["revision"]
    if job.manifest.read_text(encoding="utf-8") != text:
        job.manifest.write_text(text, encoding="utf-8")
        while job.release()["revision"] == before:
            pass
    context = browser.new_context(viewport={"width": 1280, "height": 900})
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.goto(job.url)
    yield Opened(page, job)
    context.close()
    assert [c for c in complaints if "422" not in c and "409" not in c] == []


def starts(opened: Opened) -> list[float]:
    tracks = load(opened.served.manifest).manifest.tracks
    return [float(track.start or 0) for track in tracks]


@pytest.mark.parametrize("opened", [MANIFEST], indirect=True)
def test_the_tape_job(opened):
    page = opened.page
    expect(page.locator("#time")).to_have_text("No disc is made.")
    page.get_by_role("button", name="Use dc remove").click()
    opened.wait_for("    restoration: {dc: remove}\n")
    expect(page.get_by_role("button", name="Use dc remove")).to_have_count(0)
    page.get_by_label("Stretch from").fill("0.5")
    page.get_by_label("Stretch to").fill("3")
    page.get_by_label("Stretch to").press("Tab")
    page.get_by_role("button", name="Use it as the noise print").click()
    opened.wait_for("noise: {from: 0:00.500, to: 0:03.000}")
    without = page.get_by_role("button", name="Noise: Without it")
    without.click()
    expect(without).to_have_text("Stop")
    without.press(" ")
    page.get_by_label("Titles, one per line").fill("1. Low Lantern\n2. Tide Table\n3. Weir")
    page.get_by_role("button", name="Propose cuts").click()
    make = page.get_by_role("button", name="Make these 3 songs the tracks of this side")
    make.click()
    rows = page.locator(".cuts .row")
    expect(rows).to_have_count(3)
    assert starts(opened) == pytest.approx(BEGINS_S, abs=0.3)
    assert rows.nth(2).get_by_label("Title of track 3").input_value() == "Weir"
    expect(page.locator(".mark")).to_contain_text("Proposed with")
    assert "file: a.wav   # the second pass" in opened.text()
    opened.served.settled()


def test_a_mark_is_typed_nudged_and_dragged_on_the_strip(opened):
    page = opened.page
    expect(page.locator(".cuts .row")).to_have_count(3)
    field = page.get_by_label("Start of track 2 on side A")
    field.fill("27.5")
    field.press("Enter")
    opened.wait_for("start: 0:27.500")
    strip = page.locator("canvas.strip")
    for step, at in (("0.1", "0:27.600"), ("frame", "0:27.613333"), ("sample", "0:27.613417")):
        page.get_by_label("Arrow keys move by").select_option(step)
        strip.press("ArrowRight")
        opened.wait_for(f"start: {at}   # by ear\n")
    expect(field).to_have_value("0:27.613417")
    box = strip.bounding_box()
    length_s = opened.served.release()["sides"][0]["length_s"]
    x = box["x"] + 27.6134 / length_s * box["width"]
    page.mouse.move(x, box["y"] + 20)
    page.mouse.down()
    page.mouse.move(x - 0.5 / length_s * box["width"], box["y"] + 20, steps=3)
    page.mouse.up()
    expect(field).to_have_value(re.compile(r"0:27\.[012]"))
    assert starts(opened)[1] == pytest.approx(27.11, abs=0.1)
    page.get_by_role("button", name="Closer").click()
    expect(page.locator(".side .says", has_text="Shown")).not_to_contain_text("0:00.00 to")
    before = page.get_by_role("button", name="4 s before")
    before.click()
    expect(before).to_have_text("4 s before")  # played, or stopped by what comes next


PLAYED = CUT.replace(
    "tracks:\n",
    """\
    played: nab
    recorded: iec1
    tape_speed: 38
    restoration: {dropouts: repair, hum: {mains: 60, harmonics: 3}}
tracks:
""",
)


@pytest.mark.parametrize("opened", [PLAYED], indirect=True)
def test_what_the_manifest_has_of_a_side_is_shown(opened):
    page = opened.page
    page.locator("details", has=page.locator(".steps")).evaluate("one => { one.open = true; }")
    row = page.locator(".step", has_text="Playback EQ")
    for label, value in (("set to", "nab"), ("recorded by", "iec1"), ("tape speed", "38")):
        expect(row.get_by_label(label)).to_have_value(value)
    hum = page.locator(".step", has_text="Hum: mains").locator(".says")
    reason = "no hum at that mains frequency was found"
    expect(hum).to_have_text(f"not determined, so it is left unchanged: {reason}")
    dropouts = page.locator(".step", has_text="Dropouts").locator(".says")
    expect(dropouts).to_contain_text("no dropouts found")


FASTER_THAN_THE_ANSWERS = """
() => {
  const strip = document.querySelector("canvas.strip"), answered = window.fetch;
  const field = document.querySelector('[aria-label="Start of track 2 on side A"]');
  const press = () => strip.dispatchEvent(new KeyboardEvent("keydown", { key: "ArrowRight" }));
  let answers = 0;
  window.fetch = async (...asked) => {
    const answer = await answered(...asked);
    if (asked[0] === "edits" && (answers += 1) === 1) setTimeout(press, 0);
    return answer;
  };
  field.focus();
  field.value = "27.5";
  field.dispatchEvent(new Event("change"));
  press();
  press();
}
"""


def test_keys_faster_than_the_answers_add_up(opened):
    expect(opened.page.locator(".cuts .row")).to_have_count(3)
    opened.page.get_by_label("Arrow keys move by").select_option("0.1")
    opened.page.evaluate(FASTER_THAN_THE_ANSWERS)
    opened.wait_for("start: 0:27.800   # by ear\n")
    expect(opened.page.get_by_label("Start of track 2 on side A")).to_have_value("0:27.800")


def test_tracks_are_parted_joined_and_undone(opened):
    page, before = opened.page, opened.text()
    expect(page.locator(".cuts .row")).to_have_count(3)
    page.get_by_label("Stretch from").fill("0:35")
    page.get_by_label("Stretch to").fill("0:36")
    page.get_by_label("Stretch to").press("Tab")
    page.get_by_role("button", name="Part the track where it begins").click()
    expect(page.locator(".cuts .row")).to_have_count(4)
    opened.wait_for("title: Tide Table (2)")
    page.locator(".cuts .row").nth(1).get_by_role("button", name="Join with next").click()
    expect(page.locator(".cuts .row")).to_have_count(3)
    assert load(opened.served.manifest).manifest.tracks[1].title == "Tide Table"
    page.locator("#undo").click()
    expect(page.locator(".cuts .row")).to_have_count(4)
    page.locator("#undo").click()
    expect(page.locator(".cuts .row")).to_have_count(3)
    assert opened.text() == before


@pytest.mark.parametrize("width", [1280, 400])
def test_a_page_with_a_side_has_no_faults(opened, width):
    opened.page.set_viewport_size({"width": width, "height": 900})
    expect(opened.page.locator(".cuts .row")).to_have_count(3)
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= width
    assert faults(opened.page) == []
    opened.page.emulate_media(color_scheme="dark", reduced_motion="reduce")
    assert faults(opened.page) == []
    moving = "e => [...document.querySelectorAll('*')].some(e => { const s = getComputedStyle(e);"
    moving += " return parseFloat(s.transitionDuration) || s.animationName !== 'none'"
    moving += " || s.scrollBehavior === 'smooth'; })"
    assert opened.page.evaluate(moving) is False


def test_playback_eq_and_eq_of_the_side_are_set_and_played_without(opened):
    page = opened.page
    expect(page.locator(".cuts .row")).to_have_count(3)
    page.locator("details", has=page.locator(".steps")).evaluate("one => { one.open = true; }")
    row = page.locator(".step", has_text="Playback EQ")
    before = opened.text()
    row.get_by_label("the deck was set to").select_option("NAB")
    row.get_by_label("recorded by").select_option("IEC1 (CCIR)")
    expect(row.locator(".says")).to_contain_text("Choose all three")
    opened.served.manifest.write_text(before.replace("Weir", "Mooring"), encoding="utf-8")
    expect(page.get_by_label("Title of track 3")).to_have_value("Mooring")
    row.get_by_label("tape speed").select_option("38 cm/s")
    opened.wait_for("    played: nab\n    recorded: iec1\n    tape_speed: 38\n")
    expect(row.locator(".says")).to_contain_text("corrected from NAB to IEC1 at 38 cm/s")
    without = row.get_by_role("button", name="Playback EQ: Without it")
    without.click()
    expect(without).to_have_text("Stop")
    without.press(" ")
    row.get_by_label("tape speed").select_option("4.75 cm/s")
    expect(page.locator(".side").get_by_role("alert").first).to_contain_text("nab")
    expect(row.get_by_label("tape speed")).to_have_value("38")
    tone = page.locator(".step", has_text="EQ of the side")
    tone.locator("summary").click()
    tone.get_by_label("New band").select_option("high-pass")
    tone.get_by_role("button", name="Add the band").click()
    band = tone.get_by_role("group", name="Band 1: high-pass")
    band.get_by_label("Frequency").fill("30")
    band.get_by_label("Frequency").press("Enter")
    opened.wait_for("equaliser: [{shape: high_pass, hz: 30}]")
    tone.get_by_label("Mono below").fill("120")
    tone.get_by_label("Mono below").press("Enter")
    opened.wait_for("mono_below: 120")
    expect(tone.get_by_role("button", name="EQ of the side: What it changes")).to_be_visible()
    tone.get_by_role("button", name="Remove Band 1: high-pass").click()
    expect(band).to_have_count(0)
    for label in ("the deck was set to", "recorded by", "tape speed"):
        row.get_by_label(label).select_option("not known")
    expect(row.get_by_role("button", name="Playback EQ: Without it")).to_be_hidden()
    assert not {"played", "recorded", "tape_speed"} & set(opened.text().replace(":", "").split())
