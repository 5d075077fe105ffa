"""A tape job on the listening page alone: python tests/bench/tape_job.py

Not a test: prints a table. The demo's tape side, with a manifest that has the release, the two
files and one track, becomes six named and restored tracks in Chromium by mouse and keyboard, as a
person would do it: what is proposed is taken over where it fits. Each step has its seconds with
all waiting, clicks and keys; the sound of each decision is played until it has begun. At the end
the same result as typed YAML. Make the side first: python demo_release/make_sources.py net-
loft-L.wav net-loft-R.wav. Needs Chromium.
"""

from __future__ import annotations

import argparse
import difflib
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from playwright.sync_api import Locator, Page, expect, sync_playwright

ROOT = Path(__file__).resolve().parents[2]
SOURCES = ROOT / "demo_release" / "sources"
SONGS = ROOT / "demo_release" / "net-loft-songs.txt"
MANIFEST = """\
release: {{artist: Halden Ferry Singers, title: The Net Loft Tape, catalogue_number: TWE-013}}
disc: {{make: false}}
download: {{formats: [flac-24]}}
transfers:
  A: {{left: {left}, right: {right}}}
tracks:
  - {{title: Side A, from: A}}
"""
ROW = "{:62s} {:>7s} {:>7s} {:>6s}"


class Hands:
    """A person's mouse and keyboard, counted."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.clicks = self.keys = 0

    def click(self, target: Locator) -> None:
        """Click once."""
        self.clicks += 1
        target.click()

    def press(self, target: Locator, key: str, times: int = 1) -> None:
        """Press a key."""
        self.keys += times
        for _ in range(times):
            target.press(key)

    def type(self, target: Locator, text: str) -> None:
        """Replace what a field holds, and leave it."""
        self.click(target)
        self.keys += len(text) + 2
        target.fill(text)
        target.press("Tab")

    def paste(self, target: Locator, text: str) -> None:
        """Paste a text."""
        self.click(target)
        self.keys += 1
        target.fill(text)

    def drag(self, target: Locator, start: float, end: float) -> None:
        """Drag over a picture, from one share of its width to another."""
        self.clicks += 1
        target.scroll_into_view_if_needed()
        box = target.bounding_box()
        assert box
        y = box["y"] + box["height"] / 4
        self.page.mouse.move(box["x"] + start * box["width"], y)
        self.page.mouse.down()
        self.page.mouse.move(box["x"] + end * box["width"], y, steps=5)
        self.page.mouse.up()

    def hear(self, *buttons: Locator) -> None:
        """Play each, and stop it once it has come."""
        for button in buttons:
            pressed = button.element_handle()
            with self.page.expect_response(lambda answer: "/audio/" in answer.url) as answer:
                self.click(button)
            answer.value.finished()
            self.keys += 1
            pressed.press(" ")
            self.page.wait_for_function("one => one.textContent !== 'Stop'", arg=pressed)


class Job:
    """The page with its manifest, and the table."""

    def __init__(self, page: Page, url: str, manifest: Path) -> None:
        self.page, self.url, self.manifest = page, url, manifest
        self.hands = Hands(page)

    @contextmanager
    def step(self, name: str) -> Iterator[None]:
        """Time a step, and print its row."""
        begun, clicks, keys = time.perf_counter(), self.hands.clicks, self.hands.keys
        yield
        seconds = f"{time.perf_counter() - begun:.1f}"
        counts = (self.hands.clicks - clicks, self.hands.keys - keys)
        print(ROW.format(name, seconds, *map(str, counts)), flush=True)

    def button(self, name: str, *, exact: bool = False) -> Locator:
        """Return a button of the page."""
        return self.page.get_by_role("button", name=name, exact=exact)

    def release(self) -> dict[str, Any]:
        """Return the page's data."""
        found: dict[str, Any] = self.page.evaluate(
            "async () => (await fetch('release.json')).json()"
        )
        return found

    def wait_for(self, words: str) -> None:
        """Wait until the manifest has these words."""
        while words not in self.manifest.read_text(encoding="utf-8"):
            self.page.wait_for_timeout(20)


def do_side(job: Job) -> None:
    """Restore the side, and cut it into its songs."""
    page, hands = job.page, job.hands
    with job.step("open the page; the side is measured"):
        page.goto(job.url)
        expect(page.locator(".faults li").first).to_be_visible()
        while not job.release()["sides"][0].get("proposal"):
            page.wait_for_timeout(100)
    with job.step("take over the repairs that the survey proposes"):
        while (use := page.locator(".faults").get_by_role("button")).count():
            before, name = job.release()["revision"], use.first.text_content() or ""
            hands.click(use.first)
            while job.release()["revision"] == before:
                page.wait_for_timeout(20)
            expect(
                page.locator(".faults").get_by_role("button", name=name, exact=True)
            ).to_have_count(0)
    with job.step("mark the noise print by dragging, hear it, use it"):
        for _ in range(4):
            hands.click(job.button("Closer"))
        hands.drag(page.locator("canvas.strip"), 0.06, 0.24)
        hands.hear(job.button("Play the stretch"))
        before = job.release()["revision"]
        hands.click(job.button("Use it as the noise print"))
        while job.release()["revision"] == before:
            page.wait_for_timeout(20)
        hands.click(job.button("Whole side"))
    with job.step("hear noise and clicks with, without, and what they change"):
        hands.type(page.get_by_label("Stretch from"), "0:20")
        hands.type(page.get_by_label("Stretch to"), "0:28")
        for step in ("Noise", "Clicks"):
            kinds = ("With it", "Without it", "What it changes")
            hands.hear(*(job.button(f"{step}: {kind}") for kind in kinds))
    with job.step("paste the titles, propose cuts with them, make the tracks"):
        hands.paste(page.get_by_label("Titles, one per line"), SONGS.read_text(encoding="utf-8"))
        hands.click(job.button("Propose cuts"))
        expect(job.button("Propose cuts")).to_be_enabled()
        make = job.button("Make these 6 songs the tracks of this side")
        hands.click(make)
        expect(page.locator(".cuts .row")).to_have_count(6)
    with job.step("hear each start, step to the next mark; move two by keys"):
        strip = page.locator("canvas.strip")
        for n in range(6):
            hands.hear(job.button("4 s after"))
            if n in (1, 3):
                hands.press(strip, "ArrowLeft", 3)
            if n < 5:
                for _ in range(2):
                    hands.click(job.button("Next mark"))


def do_tracks(job: Job) -> None:
    """Set the tracks' levels, and finish them."""
    page, hands = job.page, job.hands
    with job.step("set match and target for all tracks"):
        levels = page.locator('[data-key="levels"]').get_by_role("group", name="The release")
        hands.click(levels.get_by_label("Match"))
        levels.get_by_label("Match").select_option("track")
        hands.type(levels.get_by_label("Target"), "-16")
        job.wait_for("target: -16")
    with job.step("every track is matched and finished"):
        while not all(one["settled"] for one in job.release()["tracks"]):
            page.wait_for_timeout(100)
    with job.step("hear the loudest 10 s of each; trim one, EQ on another"):
        for n in range(1, 7):
            entry = page.locator(f'[data-key="level-{n}"]')
            entry.scroll_into_view_if_needed()
            hands.hear(entry.get_by_role("button", name="Play its loudest 10 s"))
            if n == 3:
                hands.press(entry.get_by_label("Trim"), "ArrowDown", 5)
                job.wait_for("trim: -0.5")
            if n == 4:
                hands.click(entry.get_by_text("EQ and compressor: none"))
                hands.click(entry.get_by_role("button", name="Add the band"))
                hands.type(entry.get_by_label("Frequency"), "3000")
                hands.type(entry.get_by_label("Gain"), "-1.5")
                job.wait_for("db: -1.5")
                hands.hear(entry.get_by_role("button", name="Play its loudest 10 s"))


def typed(before: str, after: str) -> tuple[int, int]:
    """Return how many lines a person changes or adds for a change of a text, and characters."""
    lines = [one for one in difflib.ndiff(before.splitlines(), after.splitlines()) if one[0] == "+"]
    changes = difflib.SequenceMatcher(None, before, after, autojunk=False).get_opcodes()
    return len(lines), sum(end - start for kind, _, _, start, end in changes if kind != "equal")


def main() -> None:
    """Do the job, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--picture", type=Path, help="where to save a picture of the page")
    parser.add_argument("--sources", type=Path, default=SOURCES, help="where the side's files are")
    options = parser.parse_args()
    files = [options.sources.resolve() / f"net-loft-{channel}.wav" for channel in "LR"]
    if not all(file.exists() for file in files):
        parser.error(
            "make the side first: python demo_release/make_sources.py net-loft-L.wav net-loft-R.wav"
        )
    print(f"load {os.getloadavg()[0]:.1f} before, {len(os.sched_getaffinity(0))} cores")
    print(ROW.format("", "seconds", "clicks", "keys"))
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        os.environ.setdefault("ASSEMBLER_STORE", str(folder / "store"))
        manifest = folder / "tape.yaml"
        before = MANIFEST.format(left=files[0], right=files[1])
        manifest.write_text(before, encoding="utf-8")
        expect.set_options(timeout=600_000)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"))
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.set_default_timeout(600_000)
        program = [sys.executable, "-m", "assembler"]
        begun = time.perf_counter()
        command = [*program, "listen", str(manifest), "--json"]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
            assert process.stdout
            job = Job(page, json.loads(process.stdout.readline())["url"], manifest)
            do_side(job)
            do_tracks(job)
            if options.picture:
                page.screenshot(path=options.picture, full_page=True)
            with job.step("every track is finished again"):
                while not all(one["settled"] for one in job.release()["tracks"]):
                    page.wait_for_timeout(100)
            process.terminate()
        with job.step("assembler build"):
            out = ["--out", str(folder / "out")]
            subprocess.run(
                [*program, "build", str(manifest), *out], check=True, capture_output=True
            )
        browser.close()
        total = f"{time.perf_counter() - begun:.1f}"
        print(ROW.format("in all", total, str(job.hands.clicks), str(job.hands.keys)))
        after = manifest.read_text(encoding="utf-8")
        lines, characters = typed(before, after)
        print(f"the same as typed YAML: {lines} lines, {characters} characters\n\n{after}")


if __name__ == "__main__":
    main()
