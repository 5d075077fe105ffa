"""The listening page in Chromium: every action by mouse and by keyboard."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from axe_playwright_python.sync_playwright import Axe
from listen.serving import HOSTILE, MANIFEST, Served
from playwright.sync_api import Browser, Locator, Page, Route, expect

from assembler.manifest import load

pytestmark = [pytest.mark.wants("chromium"), pytest.mark.thorough]


EXPECTED = ("422", "409", "net::ERR_FAILED")
"""Answers that tests ask for, as Chromium reports them."""


@dataclass
class Opened:
    page: Page
    served: Served

    def entry(self, key: str) -> Locator:
        return self.page.locator(f'[data-key="{key}"]')

    def field(self, key: str, label: str) -> Locator:
        return self.entry(key).get_by_label(label)

    def text(self) -> str:
        return self.served.manifest.read_text(encoding="utf-8")

    def wait_for(self, words: str) -> None:
        """Wait until the manifest has these words."""
        for _ in range(2400):
            if words in self.text():
                return
            self.page.wait_for_timeout(50)
        raise AssertionError(f"{words!r} is not in {self.text()}")


@pytest.fixture
def opened(browser: Browser, served: Served, request: pytest.FixtureRequest) -> Iterator[Opened]:
    served.post("decided", {"decided": []})
    context = browser.new_context(
        viewport={"width": getattr(request, "param", 1280), "height": 900}
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("console", lambda message: complaints.append(message.text))
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("dialog", lambda dialog: complaints.append(dialog.message))
    page.goto(served.url)
    expect(page.locator("#decisions .entry")).to_have_count(12)
    yield Opened(page, served)
    context.close()
    assert [c for c in complaints if not any(one in c for one in EXPECTED)] == []


def faults(page: Page) -> list[str]:
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {node['html']}" for one in found for node in one["nodes"]]


HAS_LIGHT_INK = """
() => {
  const one = document.querySelector('[data-key="levels"] canvas');
  const { data } = one.getContext("2d").getImageData(0, 0, one.width, one.height);
  return data.some((value, i) => i % 4 === 0 && value > 220 && data[i + 3] > 200);
}
"""


@pytest.mark.parametrize("opened", [1280, 400], indirect=True)
def test_a_page_without_faults(opened):
    page = opened.page
    assert page.locator("h3", has_text=HOSTILE).count() == 4
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]
    expect(page.locator("#state")).to_contain_text("12 of 12 decisions open")
    assert faults(page) == []
    page.emulate_media(color_scheme="dark")
    assert faults(page) == []
    page.wait_for_function(
        HAS_LIGHT_INK, timeout=120_000
    )  # a waveform that was drawn dark on light


def test_numbers_typed_nudged_and_undone(opened):
    gap = opened.field("join-2-3", "Gap before 3")
    gap.fill("3,25")
    gap.press("Enter")
    expect(opened.page.locator("#undo")).to_be_enabled()
    opened.wait_for("    gap: 3.25\n")
    opened.page.get_by_label("Arrow keys move by").select_option("frame")
    gap.press("ArrowUp")
    expect(gap).to_have_value("3.263333")
    trim = opened.field("level-2", "Trim")
    trim.press("ArrowDown")
    expect(trim).to_have_value("-0.1")
    opened.wait_for("{title: Tide Table, audio: 2.wav, gap: 0, trim: -0.1}")
    for words in ("gap: 0}", "gap: 3.25\n", "gap: 2.5\n"):
        opened.page.locator("#undo").click()
        opened.wait_for(words)
    expect(gap).to_have_value("2.5")
    assert opened.text() == MANIFEST


def test_eq_and_compressor_by_keys_and_mouse(opened):
    level = opened.entry("level-3")
    level.get_by_text("EQ and compressor: none").click()
    level.get_by_label("New band").select_option("high shelf")
    level.get_by_role("button", name="Add the band").press("Enter")
    band = level.get_by_role("group", name="Band 1: high shelf")
    expect(band.get_by_label("Frequency")).to_be_focused()
    opened.wait_for("    equaliser: [{shape: high_shelf, hz: 8000, db: 0}]\n")
    gain = band.get_by_label("Gain")
    gain.press("ArrowDown")
    expect(band.get_by_label("Dynamic, threshold")).to_be_visible()
    expect(gain).to_be_focused()  # though the band has one more field
    gain.press("ArrowUp")
    expect(band.get_by_label("Dynamic, threshold")).to_be_hidden()
    gain.press("ArrowDown")
    expect(gain).to_have_value("-0.1")
    band.get_by_label("Q", exact=True).fill("0.9")
    band.get_by_label("Q", exact=True).press("Enter")
    opened.wait_for("hz: 8000, db: -0.1, q: 0.9}")
    level.get_by_role("button", name="Add a compressor").click()
    mix = level.get_by_role("group", name="Compressor").get_by_label("Mix")
    mix.fill("50")
    mix.press("Enter")
    opened.wait_for("    compress: {threshold: -18, ratio: 1.5, mix: 50}\n")
    ratio = level.get_by_role("group", name="Compressor").get_by_label("Ratio")
    ratio.fill("0.5")
    ratio.press("Enter")
    expect(level.get_by_role("alert")).to_contain_text("ratio")
    expect(ratio).to_have_value("1.5")
    expect(level.locator(".says", has_text="Spectrum")).to_contain_text("compressor (dashed)")
    level.get_by_role("button", name="Remove Band 1: high shelf").click()
    expect(band).to_have_count(0)
    expect(level.get_by_label("New band")).to_be_focused()
    for _ in range(8):
        opened.page.locator("#undo").click()
    expect(level.get_by_role("group", name="Band 1: high shelf")).to_have_count(0)
    opened.wait_for(MANIFEST)


def test_what_is_typed_stays_while_the_band_becomes_dynamic(opened):
    level, held = opened.entry("level-3"), []
    band_text = "    equaliser: [{shape: bell, hz: 900, db: -3}]\n"
    opened.served.manifest.write_text(
        MANIFEST.replace("    fade_out: 1\n", f"    fade_out: 1\n{band_text}"), encoding="utf-8"
    )
    band = level.get_by_role("group", name="Band 1: bell", exact=True)
    level.get_by_text("EQ and compressor: bell").click()
    threshold = band.get_by_label("Dynamic, threshold")
    opened.page.route("**/edits", lambda route: held.append(route))
    threshold.fill("-24")
    threshold.press("Enter")
    while not held:
        opened.page.wait_for_timeout(20)
    band.get_by_label("Frequency").fill("1200")
    held[0].continue_()
    dynamic = level.get_by_role("group", name="Band 1: bell, dynamic")
    expect(dynamic.get_by_label("Ratio")).to_be_visible()
    expect(level.get_by_text("bell 900 Hz, −3 dB, threshold −24 dBFS")).to_be_visible()
    frequency = dynamic.get_by_label("Frequency")
    expect(frequency).to_have_value("1200")
    expect(frequency).to_be_focused()
    expect(dynamic.get_by_role("button", name="Remove Band 1: bell, dynamic")).to_be_visible()
    opened.page.unroute("**/edits")
    frequency.press("Enter")
    opened.wait_for("{shape: bell, hz: 1200, db: -3, dynamic: {threshold: -24}}")


def test_levels_of_all_tracks_and_of_each_edition(opened):
    levels = opened.entry("levels")
    part = {
        name: levels.get_by_role("group", name=name)
        for name in ("The release", "The disc", "Downloads")
    }
    link = part["The release"].get_by_label("Limiter link")
    link.fill("80")
    link.press("Enter")
    opened.wait_for("ceiling: -1, link: 80}")
    own = part["Downloads"].get_by_label("Limiter link")
    expect(own).to_have_attribute("placeholder", "80")
    own.press("ArrowDown")
    opened.wait_for("  level: {link: 75}\n")
    part["The disc"].get_by_label("Match").select_option("the album: one gain")
    opened.wait_for("disc: {level: {match: album}}\n")
    part["The release"].get_by_label("Target").press("ArrowUp")
    opened.wait_for("target: -15.5")
    part["The disc"].get_by_label("Match").select_option("as for the release")
    opened.wait_for("# as agreed\ndownload:\n")
    for _ in range(5):
        opened.page.locator("#undo").click()
    opened.wait_for(MANIFEST)


def test_a_tone_match_is_chosen_and_said(opened):
    level = opened.entry("level-2")
    level.get_by_label("Tone matched to").select_option("1, Low Lantern")
    opened.wait_for("{title: Tide Table, audio: 2.wav, gap: 0, tone_like: 1}")
    says = level.locator(".says").last
    expect(says).to_contain_text("Tone matched to track 1:")
    expect(says).to_contain_text("spectral distance")
    level.get_by_label("Tone matched to").select_option("the album")
    opened.wait_for("{title: Tide Table, audio: 2.wav, gap: 0, tone: album}")
    level.get_by_label("Tone matched to").select_option("nothing")
    opened.wait_for("{title: Tide Table, audio: 2.wav, gap: 0}")


def test_an_edit_behind_a_move_goes_to_the_track_it_was_made_on(opened):
    page = opened.page
    held: list[Route] = []

    def hold(route: Route) -> None:
        held.append(route) if not held else route.continue_()

    page.route("**/edits", hold)
    page.get_by_role("button", name="Later: Tide Table").click()
    trim = opened.field("level-2", "Trim")
    trim.fill("-1.5")
    trim.press("Enter")
    opened.entry("level-3").get_by_label("Tone matched to").select_option("2, Tide Table")
    page.get_by_role("button", name="Later: Low Lantern").click()
    while not held:
        page.wait_for_timeout(20)
    held[0].continue_()
    opened.wait_for("trim: -1.5")
    expect(page.locator("#order .name").first).to_have_text(HOSTILE)
    tracks = load(opened.served.manifest).manifest.tracks
    assert [track.title for track in tracks] == [HOSTILE, "Low Lantern", "Tide Table"]
    assert [float(track.trim) for track in tracks] == [0, 0, -1.5]
    assert [track.tone_like for track in tracks] == [3, None, None]


def test_a_mark_is_dragged_and_moved_by_keys(opened):
    start = opened.field("start-1", "Start in the recording")
    canvas = opened.entry("start-1").locator("canvas")
    canvas.scroll_into_view_if_needed()
    box = canvas.bounding_box()
    middle = box["y"] + box["height"] / 2
    opened.page.mouse.move(box["x"] + box["width"] / 2, middle)
    opened.page.mouse.down()
    opened.page.mouse.move(box["x"] + box["width"] * 5 / 8, middle, steps=4)
    opened.page.mouse.up()
    expect(start).not_to_have_value("1.5")
    dragged = float(start.input_value())
    assert dragged == pytest.approx(2.5, abs=0.03)  # a pixel
    canvas.focus()
    canvas.press("ArrowRight")
    expect(start).to_have_value(f"{dragged + 0.01:g}")
    opened.wait_for(f"    start: {dragged + 0.01:g}\n")


def test_a_wrong_number_is_refused_beside_its_field(opened):
    start = opened.field("start-1", "Start in the recording")
    start.fill("99")
    start.press("Enter")
    expect(opened.entry("start-1").get_by_role("alert")).to_contain_text("start")
    expect(start).to_have_value("1.5")
    assert opened.text() == MANIFEST


def test_an_edit_from_outside_while_a_number_is_typed(opened):
    gap = opened.field("join-2-3", "Gap before 3")
    gap.fill("4")
    outside = MANIFEST.replace("start: 1.5", "start: 0.5")
    opened.served.manifest.write_text(outside, encoding="utf-8")
    expect(opened.field("start-1", "Start in the recording")).to_have_value("0.5")
    expect(gap).to_have_value("4")
    gap.press("Enter")
    opened.wait_for("gap: 4")
    assert opened.text() == outside.replace("gap: 2.5", "gap: 4")


def test_tracks_are_moved_and_decisions_fold(opened):
    page = opened.page
    page.get_by_role("button", name="Earlier: Tide Table").click()
    expect(page.locator("#message")).to_contain_text("pause")  # a segue can't open the disc
    page.get_by_role("button", name="Later: Tide Table").press("Enter")
    expect(page.locator("#order .name").last).to_have_text("Tide Table")
    expect(page.get_by_role("button", name="Earlier: Tide Table")).to_be_focused()
    entry = opened.entry("level-2")
    entry.get_by_label("Decided").check()
    expect(entry.locator(".body")).to_be_hidden()
    expect(page.locator("#state")).to_contain_text("11 of 12 decisions open")
    while not opened.served.release()["decided"]:
        page.wait_for_timeout(50)
    page.reload()
    expect(opened.entry("level-2").locator(".body")).to_be_hidden()
    opened.served.edit(tracks__1__trim=1)
    expect(opened.entry("level-2").locator(".body")).to_be_visible()


def test_space_plays_and_stops(opened):
    opened.served.settled()
    canvas = opened.entry("join-1-2").locator("canvas")
    button = opened.entry("join-1-2").get_by_role("button")
    canvas.focus()
    canvas.press(" ")
    expect(button).to_have_text("Stop")
    canvas.press(" ")
    expect(button).to_have_text("Play the join")


def test_a_sound_is_stopped_before_it_has_come(opened):
    opened.served.settled()
    held: list[Route] = []
    opened.page.route("**/audio/join/1-2**", lambda route: held.append(route))
    button = opened.entry("join-1-2").get_by_role("button")
    for _ in range(2):
        button.click()
        expect(button).to_have_text("Stop")
        button.press(" ")
        expect(button).to_have_text("Play the join")
    while len(held) < 2:
        opened.page.wait_for_timeout(20)
    for one in held[1:]:
        one.abort()
    held[0].continue_()
    expect(button).to_have_text("Play the join")
    expect(opened.entry("join-1-2").get_by_role("alert")).to_be_hidden()


def test_what_the_page_fetches_is_what_the_server_has(opened):
    opened.served.settled()
    path = "audio/join/1-2?from=-6&to=6"
    size, total = opened.page.evaluate(
        """async (path) => {
          const bytes = new Uint8Array(await (await fetch(path)).arrayBuffer());
          return [bytes.length, bytes.reduce((sum, one) => sum + one, 0)];
        }""",
        path,
    )
    content = opened.served.get(path)[1]
    assert (size, total) == (len(content), sum(content))


def test_a_page_of_another_origin_can_neither_read_nor_edit(browser, served):
    page = browser.new_page()
    page.goto("data:text/html,<title>other</title>")
    for options in ("{}", "{method: 'POST', body: '{}'}", "{mode: 'no-cors'}"):
        answer = page.evaluate(
            f"async (url) => {{ try {{ const a = await fetch(url, {options});"
            "return a.type === 'opaque' ? '' : await a.text(); } catch { return ''; } }",
            served.url + "release.json",
        )
        assert answer == ""
    assert served.manifest.read_text(encoding="utf-8") == MANIFEST
    page.close()
