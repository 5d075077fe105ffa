"""A manifest of 99 tracks: they are finished one by one, and the page opens and is edited."""

from __future__ import annotations

from pathlib import Path
from threading import Lock

import numpy as np
import pytest
import soundfile
from listen.serving import serving
from playwright.sync_api import expect

from assembler.cache.folder import CacheFolder
from assembler.listen.settling import Settler
from assembler.manifest import load
from assembler.preflight.check import check
from assembler.release.tasks.finisher import Finisher


def manifest_of(folder: Path, count: int, seconds: float, more: str = "") -> Path:
    """Write a manifest of so many tracks of one recording."""
    noise = np.random.default_rng(18).normal(0, 0.1, (int((seconds + 1) * 44100), 2))
    soundfile.write(folder / "all.wav", noise, 44100, subtype="PCM_24")
    tracks = "".join(
        f"  - {{title: Piece {n}, audio: all.wav, start: {n / 200}, end: {n / 200 + seconds}}}\n"
        for n in range(1, count + 1)
    )
    path = folder / "songs.yaml"
    head = "release: {artist: Halden Ferry Singers, title: Songs for Slack Water}\n"
    path.write_text(f"{head}{more}tracks:\n{tracks}", encoding="utf-8")
    return path


def test_a_track_is_noted_as_soon_as_it_is_finished(tmp_path, monkeypatch):
    events: list[str] = []
    finish = Finisher.finish

    def finishing(*arguments):
        events.append("rendered")
        return finish(*arguments)

    monkeypatch.setattr(Finisher, "finish", finishing)
    (tmp_path / "scratch").mkdir()
    cache = CacheFolder(tmp_path / "cache")
    settler = Settler(cache, tmp_path / "scratch", lambda: events.append("noted"), Lock())
    path = manifest_of(tmp_path, 5, 0.6, "disc: {make: false}\ndownload: {formats: [wav-24]}\n")
    settler.begin(check(load(path)))
    thread = settler._thread
    assert thread
    thread.join()
    settler.close()
    assert settler.settled.findings == ()
    assert len(settler.settled.tracks) == 10
    third = [n for n, event in enumerate(events) if event == "rendered"][2]
    assert "noted" in events[:third]  # two are rendered at a time


@pytest.mark.thorough
@pytest.mark.wants("chromium")
def test_the_page_of_99_tracks_opens_and_is_edited(browser, tmp_path):
    path = manifest_of(tmp_path, 99, 4)
    text = path.read_text(encoding="utf-8")
    path.write_text(f"level: {{hold: approved}}\n{text}", encoding="utf-8")
    with serving(path) as served:
        page = browser.new_page(
            viewport={"width": 1280, "height": 900}, reduced_motion="reduce"
        )  # scrolled past, the tracks between would load their sound
        page.goto(served.url)
        expect(page.locator("#state")).to_contain_text("has errors")  # so nothing is rendered
        expect(page.locator("#order .row")).to_have_count(99)
        expect(page.locator("#decisions .entry")).to_have_count(1 + 98 + 3 * 99)
        before = page.locator("#time").text_content() or ""
        gap = page.locator('[data-key="join-98-99"]').get_by_label("Gap before 99")
        gap.fill("3.5")
        gap.press("Enter")
        expect(page.locator("#undo")).to_be_enabled()
        expect(page.locator("#time")).not_to_have_text(before)
        assert "start: 0.495, end: 4.495, gap: 3.5}" in path.read_text(encoding="utf-8")
        last = page.locator("#order .row").last  # among all buttons the search is long
        last.get_by_role("button", name="Earlier: Piece 99").click()
        expect(page.locator("#order .name").last).to_have_text("Piece 98")
        page.close()
