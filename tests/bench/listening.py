"""The listening page against its bars: python tests/bench/listening.py

Not a test: prints a table. 12 tracks of 4 minutes and one side of 46 minutes at 24 bits and 96 kHz,
of noise and tones; the 95 % of 20 edits of each kind, from the edit to the first byte of the sound
that is played after it; the page in Chromium from the command on; frames per second while the side
is zoomed and scrolled; peak memory. Needs Chromium.
"""

from __future__ import annotations

import argparse
import http.client
import itertools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import soundfile
from playwright.sync_api import Browser, Page, sync_playwright

PAUSE_S = 0.5
"""Between two edits, so that work in the background has begun."""
FIRST_EDIT_S = 2.0
"""From the first waveform on the page to the first edit: nobody finds and types a number sooner."""
ROW = "{:72s} {:>9s} {:>9s}"
FRAMES = """\
async (seconds) => {
  const strip = document.querySelector("canvas.strip"), box = strip.getBoundingClientRect();
  const wheel = (more) => strip.dispatchEvent(new WheelEvent("wheel", {
    bubbles: true, cancelable: true, clientX: box.left + box.width / 3, ...more }));
  let frames = 0;
  const begun = performance.now();
  while (performance.now() - begun < seconds * 1000) {
    const phase = (performance.now() - begun) / 1000 % 4;
    if (phase < 1) wheel({ ctrlKey: true, deltaY: -16 });
    else if (phase < 3) wheel({ shiftKey: true, deltaX: phase < 2 ? 24 : -24 });
    else wheel({ ctrlKey: true, deltaY: 16 });
    await new Promise(requestAnimationFrame);
    frames += 1;
  }
  return frames / (performance.now() - begun) * 1000;
}
"""


def write_sound(path: Path, seconds: float, rate_hz: int, seed: int) -> None:
    """Write swelling noise and chords as 24-bit WAV, in blocks of 10 s."""
    chance = np.random.default_rng(seed)
    t = np.arange(10 * rate_hz)[:, None] / rate_hz
    chord = sum(np.sin(2 * np.pi * hz * t) for hz in chance.uniform(110, 2000, 3))
    block = 0.03 * chord + chance.normal(0, 0.02, (len(t), 2))
    with soundfile.SoundFile(path, "w", rate_hz, 2, "PCM_24") as file:
        while file.frames < seconds * rate_hz:
            left = round(seconds * rate_hz) - file.frames
            file.write(block[:left] * chance.uniform(0.3, 3) * (1 + np.sin(t[:left]) / 2))


def write_jobs(folder: Path, track_s: float, side_s: float) -> tuple[Path, Path]:
    """Write the album and the side with their manifests."""
    release = "release: {artist: Halden Ferry Singers, title: Songs for Slack Water}\n"
    tracks = ""
    for n in range(1, 13):
        write_sound(folder / f"{n}.wav", track_s, 44100, n)
        tracks += f"  - {{title: Piece {n}, audio: {n}.wav, gap: 2}}\n"
    album, side = folder / "album.yaml", folder / "side.yaml"
    album.write_text(f"{release}level: {{match: track, target: -16}}\ntracks:\n{tracks}")
    write_sound(folder / "side.wav", side_s, 96000, 46)
    side.write_text(
        f"{release}disc: {{make: false}}\ndownload: {{formats: [flac-24]}}\ntransfers:\n  A:\n"
        "    file: side.wav\n    restoration: {declick: {strength: 5}, balance: -0.5}\n"
        "tracks:\n  - {title: Side A, from: A}\n"
    )
    return album, side


class Session:
    """A running page, asked over one connection as the browser does."""

    def __init__(self, manifest: Path) -> None:
        self.begun = time.perf_counter()
        command = [sys.executable, "-m", "assembler", "listen", str(manifest), "--json"]
        self.process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
        assert self.process.stdout
        self.url = json.loads(self.process.stdout.readline())["url"]
        split = urlsplit(self.url)
        self._path = split.path
        self._connection = http.client.HTTPConnection(split.netloc)

    def ask(self, path: str, body: object = None, first_byte: bool = False) -> bytes:
        """Return an answer; of a sound its first byte as soon as it comes, and read the rest."""
        data = None if body is None else json.dumps(body).encode()
        headers = {"content-type": "application/json"} if data else {}
        self._connection.request("POST" if data else "GET", self._path + path, data, headers)
        answer = self._connection.getresponse()
        found = answer.read(1) if first_byte else answer.read()
        assert answer.status == 200, (path, answer.status, found, answer.read())
        self.answered = time.perf_counter()
        answer.read()
        return found

    def release(self) -> dict[str, Any]:
        """Return the page's data."""
        return json.loads(self.ask("release.json"))

    def edit_then_hear(self, values: dict[str, Any], path: str, side: str | None = None) -> float:
        """Return the time from an edit to the first byte of the sound after it, in ms."""
        body: dict[str, Any] = {"revision": self.release()["revision"], "set": values}
        begun = time.perf_counter()
        self.ask("edits", {**body, "side": side} if side else body)
        self.ask(path, first_byte=True)
        return (self.answered - begun) * 1000

    def peak_mb(self) -> float:
        """Return the process's peak memory."""
        status = Path(f"/proc/{self.process.pid}/status").read_text()
        return int(status.partition("VmHWM:")[2].split()[0]) / 1024


@contextmanager
def session(manifest: Path) -> Iterator[Session]:
    """Open a page's program, and end it."""
    found = Session(manifest)
    try:
        yield found
    finally:
        found.process.terminate()
        found.process.wait()


def row(what: str, found: str, bar: str) -> None:
    """Print a row of the table."""
    print(ROW.format(what, found, bar), flush=True)


def p95(what: str, runs: int, bar_ms: int, once: Callable[[int], float]) -> None:
    """Run something so often, and print the 95 % and the median."""
    times = []
    for n in range(runs):
        times.append(once(n))
        time.sleep(PAUSE_S)
    middle = f"{what} (first {times[0]:.0f}, median {np.median(times):.0f} ms)"
    row(middle, f"{np.percentile(times, 95):.0f} ms", f"{bar_ms} ms")


def edits(opened: Session, runs: int, track_s: float) -> None:
    """Time edits of the album."""
    opened.ask("picture/track/1?from=0&to=10&width=800")
    time.sleep(FIRST_EDIT_S)
    join, steps = "audio/join/5-6?from=-6&to=6", itertools.count(1)
    kinds: dict[str, Callable[[float], dict[str, Any]]] = {
        "gap": lambda x: {"tracks[5].gap": 2 + x},
        "fade": lambda x: {"tracks[4].fade_out": 1 + x},
        "start": lambda x: {"tracks[5].start": x},
        "end": lambda x: {"tracks[4].end": track_s - x},
        "trim": lambda x: {"tracks[5].trim": x},
    }
    for name, change in kinds.items():

        def once(_: int, change: Callable[[float], dict[str, Any]] = change) -> float:
            return opened.edit_then_hear(change(next(steps) / 100), join)

        p95(f"{name} edited, to the first byte of the join", runs, 300, once)
    band = {"shape": "bell", "hz": 3000}

    def equalised(_: int) -> float:
        values = {"tracks[5].equaliser": [{**band, "db": next(steps) / 100}]}
        return opened.edit_then_hear(values, "audio/track/6?from=60&to=70")

    p95("EQ edited, to the first byte of 10 s", runs, 500, equalised)


def usable(browser: Browser, manifest: Path, what: str, bar_s: int) -> None:
    """Time a page from the command until it is shown with its decisions."""
    with session(manifest) as opened:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(opened.url)
        page.wait_for_selector("#decisions .entry canvas", timeout=120_000)
        row(what, f"{time.perf_counter() - opened.begun:.1f} s", f"{bar_s} s")
        page.close()


def frames(page: Page, seconds: float) -> None:
    """Zoom and scroll the side's strip, and print the frames per second."""
    page.wait_for_selector(".side .says")
    page.wait_for_function(
        "() => !/Waveform/.test(document.querySelector('.side .says').textContent)"
        " && document.querySelector('.side .says').textContent.includes('kHz')",
        timeout=600_000,
    )
    row("zoom and scroll of the side", f"{page.evaluate(FRAMES, seconds):.0f} fps", "50 fps")


def measure_album(browser: Browser, album: Path, runs: int, track_s: float) -> None:
    """Measure the album's page."""
    usable(browser, album, "page usable, new audio", 5)
    usable(browser, album, "page usable, known audio", 2)
    with session(album) as opened:
        edits(opened, runs, track_s)
        row("peak memory, the album", f"{opened.peak_mb():.0f} MB", "500 MB")


def measure_side(browser: Browser, side: Path, runs: int, side_s: float) -> None:
    """Measure the side's page."""
    usable(browser, side, "page usable, new side", 5)
    with session(side) as opened:
        page = browser.new_page(viewport={"width": 1280, "height": 900})
        page.goto(opened.url)
        frames(page, 8)
        page.close()
        p95(
            "a restoration step edited, to the first byte of 8 s",
            runs,
            1500,
            lambda n: opened.edit_then_hear(
                {"restoration.declick.strength": 1 + n % 10},
                f"audio/side/1?from={side_s / 2}&to={side_s / 2 + 8}",
                "A",
            ),
        )
        row("peak memory, the side", f"{opened.peak_mb():.0f} MB", "500 MB")


def main() -> None:
    """Measure, and print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--runs", type=int, default=20)
    parser.add_argument("--track-s", type=float, default=240)
    parser.add_argument("--side-s", type=float, default=46 * 60)
    parser.add_argument("--only", choices=("album", "side"))
    options = parser.parse_args()
    load = os.getloadavg()[0]
    print(
        f"{options.runs} edits of each kind, tracks of {options.track_s:g} s, a side of "
        f"{options.side_s:g} s; {len(os.sched_getaffinity(0))} cores, load {load:.1f} before"
    )
    print(ROW.format("", "found", "bar"))
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        os.environ["ASSEMBLER_STORE"] = str(folder / "store")
        album, side = write_jobs(folder, options.track_s, options.side_s)
        browser = playwright.chromium.launch(executable_path=shutil.which("chromium"))
        if options.only != "side":
            measure_album(browser, album, options.runs, options.track_s)
        if options.only != "album":
            measure_side(browser, side, options.runs, options.side_s)
        browser.close()


if __name__ == "__main__":
    main()
