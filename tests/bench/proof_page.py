"""How long Chromium takes to draw and paint the proof's picture of 20 tracks; bar: 300 ms.

Run with ``PYTHONPATH=tests python -m bench.proof_page``.
"""

from __future__ import annotations

import tempfile
from pathlib import Path

from outside import program
from playwright.sync_api import Page, sync_playwright
from proof.browsing import open_page
from proof.finished_proof import made_up_proof

from assembler.proof.page import write_page

RUNS = 5


def drawing_ms(page: Page) -> float:
    """Return how long the page's script took to draw the picture."""
    return float(page.evaluate("performance.getEntriesByName('picture')[0].duration"))


def painting_ms(page: Page) -> float:
    """Return how long the browser takes to lay out and paint the picture once it is drawn."""
    return float(
        page.evaluate(
            "async () => { const picture = document.querySelector('.picture');"
            " const painted = () => new Promise(told =>"
            "   requestAnimationFrame(() => requestAnimationFrame(told)));"
            " const lines = [...picture.children]; picture.replaceChildren(); await painted();"
            " const start = performance.now(); picture.append(...lines); await painted();"
            " return performance.now() - start; }"
        )
    )


def main() -> None:
    """Print the fastest of some runs."""
    proof = made_up_proof([f"Song {n}" for n in range(1, 21)])
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        write_page(Path(folder), proof)
        browser = playwright.chromium.launch(executable_path=program("chromium", "chromium"))
        times = []
        for _ in range(RUNS):
            with open_page(browser, Path(folder) / "index.html") as opened:
                times.append((drawing_ms(opened.page), painting_ms(opened.page)))
        drawn, painted = min(times, key=sum)
        print(f"drawn in {drawn:.0f} ms, painted in {painted:.0f} ms: bar 300 ms together")
        browser.close()


if __name__ == "__main__":
    main()
