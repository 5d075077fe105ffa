"""The proof's page and pictures as files: escaped, the same each time, for any release."""

from __future__ import annotations

import json
import re
from base64 import b64decode
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import unquote

import numpy as np
import pytest
from PIL import Image
from proof.finished_proof import HOSTILE, LIMITED_DB, made_up_proof

from assembler.findings import Finding
from assembler.proof import mail
from assembler.proof.content import CurveSegment, Proof
from assembler.proof.mail import write_pictures
from assembler.proof.open_points import open_points
from assembler.proof.page import page_html, write_page
from assembler.proof.picture import NOT_YET, disc_bars, encoded
from assembler.proof.texts import (
    disc_text,
    join_text,
    share_text,
)

BREAKOUTS = [HOSTILE, "</script><script>alert(1)</script>", '"><svg onload=alert(1)>', "{{ 7*7 }}"]


class _Seen(HTMLParser):
    """The elements of a page, their addresses and its text."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.addresses: list[str] = []
        self.handlers: list[str] = []
        self.text = ""
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]
        self.handlers += [name for name, _ in attrs if name.startswith("on") or name == "style"]

    def handle_data(self, data: str) -> None:
        self.text += data


def data_of(html: str) -> dict[str, Any]:
    """Return the data that the page's scripts draw."""
    found = re.search(r'<script type="application/json" id="release">(.*?)</script>', html, re.S)
    assert found
    return dict(json.loads(found[1]))


def hostile(text: str) -> Proof:
    """Make up a proof with a text wherever the release has one."""
    manifest = {
        "release": {
            "artist": text,
            "title": text,
            "catalogue_number": text,
            "label": text,
            "p_line": text,
        },
        "tracks": [
            {"title": text, "audio": "a.wav", "artist": text, "lyrics": text, "composers": [text]},
            {"title": "Second", "audio": "b.wav"},
        ],
        "credits": [{"name": text, "roles": [text]}],
        "text": {"notes": text, "thanks": text},
    }
    proof = made_up_proof([text, "Second"], length_s=5.0, manifest=manifest)
    section = replace(proof.tracks[0].section, files=(text,))
    first = replace(proof.tracks[0], section=section, listen=f"download/flac-24/01 {text}.flac")
    finding = Finding("warning", "empty-isrc", text, "songs.yaml", 3, text)
    tracks = (first, proof.tracks[1])
    return replace(proof, name=text, tracks=tracks, findings=(finding,), cover=f"download/{text}")


@pytest.mark.parametrize("text", BREAKOUTS)
def test_any_text_stays_text(text: str) -> None:
    html, plain = page_html(hostile(text)), page_html(hostile("Plain"))
    seen, expected = _Seen(html), _Seen(plain)
    assert seen.elements == expected.elements
    assert seen.handlers == []
    assert seen.text.count(text) >= 14
    assert data_of(html)["discs"][0]["tracks"][0]["title"] == text
    assert "<" not in html.split('id="release">')[1].split("</script>")[0]


def test_every_address_lies_in_the_release() -> None:
    html = page_html(hostile("50% #1? http://example.org/"))
    addresses = _Seen(html).addresses
    assert all(re.match(r"#|\.\./download/|joins/|[\w-]+\.(css|js|png)$", a) for a in addresses)
    assert "../download/flac-24/01 50% #1? http://example.org/.flac" in map(unquote, addresses)
    policy = re.search(r'Content-Security-Policy" content="([^"]*)"', html)
    assert policy
    assert policy[1].startswith("default-src 'none'; ")
    assert not re.search(r"unsafe|https?:|\*|data:", policy[1])


def test_curves_come_out_as_they_went_in() -> None:
    proof = made_up_proof(["One", "Two"], length_s=20.0)
    (disc,) = data_of(page_html(proof))["discs"]
    curves = proof.discs[0].stretches[0].curves
    for key, levels in (
        ("peak", curves.peak_dbfs),
        ("rms", curves.rms_dbfs),
        ("loudness", curves.short_term_lufs),
    ):
        read = np.frombuffer(b64decode(disc["stretches"][0][key]), "<i2") / 100
        np.testing.assert_allclose(read, levels, atol=0.0051)
    attenuation = np.frombuffer(b64decode(disc["limiting"][1]["attenuation"]), "<i2") / 100
    np.testing.assert_allclose(attenuation, LIMITED_DB, atol=0.0051)
    assert disc["limiting"][1]["start"] == 22.0
    gone = np.frombuffer(b64decode(encoded(np.array([np.nan, -300.0]))), "<i2")
    assert list(gone) == [NOT_YET, -30000]


def test_the_same_proof_gives_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a", "b"):
        proof = made_up_proof(["長い夜", "أغنية", HOSTILE], length_s=30.0)
        write_page(tmp_path / name, proof)
        write_pictures(tmp_path / name, proof)
    files = sorted(path.name for path in (tmp_path / "a").iterdir())
    assert files == [
        "form.js", "index.html", "levels.png", "page.css", "picture.js", "player.js",
        "running-order.png",
    ]  # fmt: skip
    for name in files:
        assert (tmp_path / "a" / name).read_bytes() == (tmp_path / "b" / name).read_bytes()


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("titles", "changes"),
    [
        ([f"Song {n}" for n in range(1, 100)], {"length_s": 45.0}),
        (["Seventy Minutes"], {"length_s": 4200.0}),
        (["Nothing to Hear"], {"silent": True}),
        (["長い夜の港" * 60, "أغنية المد " * 30, "W" * 300], {"length_s": 30.0}),
    ],
    ids=["99 tracks", "70 minutes", "silence", "long titles"],
)
def test_odd_releases_have_page_and_pictures(
    tmp_path: Path, titles: list[str], changes: dict[str, Any]
) -> None:
    proof = made_up_proof(titles, **changes)
    write_page(tmp_path, proof)
    write_pictures(tmp_path, proof)
    text = _Seen((tmp_path / "index.html").read_text(encoding="utf-8")).text
    assert all(text.count(" ".join(title.split())) >= 3 for title in titles)
    for name in ("levels.png", "running-order.png"):
        picture = Image.open(tmp_path / name)
        colours = picture.convert("RGB").getcolors(100_000)
        assert picture.width == 1600
        assert colours
        assert len(colours) > 4
        assert (tmp_path / name).stat().st_size < 500_000
    assert sum(file.stat().st_size for file in tmp_path.iterdir()) < 2_000_000


def test_a_release_without_disc_cover_credits_and_clips() -> None:
    proof = made_up_proof(["One", "Two"], length_s=30.0, has_clips=False)
    tracks = tuple(replace(t, delivered={"download": t.delivered["disc"]}) for t in proof.tracks)
    (disc,) = proof.discs
    curves = made_up_proof(["One"], length_s=30.0).discs[0].stretches[0].curves
    stretches = (CurveSegment(0.0, curves), CurveSegment(32.0, curves))
    without = replace(disc, stretches=stretches, limit_frames=None, target_lufs=None, limiting=())
    proof = replace(proof, tracks=tracks, discs=(without,), cover=None)
    html = page_html(proof)
    assert "1:02 including gaps; no disc" in html
    assert ">Download</th>" in html
    assert ">Disc</th>" not in html
    assert "There are no clips" in html
    assert "<img" not in html.replace('<img class="plain"', "")
    assert [stretch["start"] for stretch in data_of(html)["discs"][0]["stretches"]] == [0.0, 32.0]
    assert [bar.kind for bar in disc_bars(proof, without)] == ["track", "pause", "track"]


def test_source_levels_are_shown_where_they_were_measured() -> None:
    proof = made_up_proof(["One"], length_s=30.0)
    assert ">Source</th>" not in page_html(proof)
    section = replace(proof.tracks[0].section, integrated_lufs=-25.25, true_peak_dbtp=-9.87)
    html = page_html(replace(proof, tracks=(replace(proof.tracks[0], section=section),)))
    assert ">Source</th>" in html
    cells = re.findall(r'<td data-label="Source: ([\w ]+)">([^<]*)</td>', html)
    assert cells == [
        ("LUFS", "−25.2"),
        ("range", "–"),
        ("peak", "−9.9"),
        ("crest factor", "–"),
        ("correlation", "–"),
    ]


def test_the_bar_is_to_scale_and_shows_the_time_left() -> None:
    proof = made_up_proof(["One", "Two"], length_s=600.0)
    (disc,) = proof.discs
    bars = list(disc_bars(proof, disc))
    assert [bar.kind for bar in bars] == ["track", "pause", "track", "left"]
    assert sum(bar.width for bar in bars) == pytest.approx(1000, abs=0.05)
    assert bars[0].width == pytest.approx(1000 * 600 / 4797, abs=0.01)
    assert disc_text(disc) == "20:02 of 79:57, 59:55 left"
    over = replace(disc, limit_frames=600 * 75)
    assert disc_text(over) == "20:02 of 10:00, 10:02 over the limit"
    assert [bar.kind for bar in disc_bars(proof, over)][-1] == "over"


def test_texts_of_levels_and_joins() -> None:
    assert [share_text(v) for v in (0.0, 0.0001, 0.1234)] == ["0.0 %", "under 0.1 %", "12.3 %"]
    (join,) = made_up_proof(["One", "Two"], gap_s=2.0).joins()
    assert (join.name, join_text(join)) == ("01-02", "gap of 2.00 s")
    assert join_text(replace(join, gap_frames=0)) == "segue, no gap"
    overlap = replace(join, gap_frames=0, overlap_s=2.5)
    assert join_text(overlap) == "crossfade of 2.50 s"


def _finding(code: str, where: str, message: str = "set `trim: -2` under `level`") -> Finding:
    return Finding("warning", code, where, "songs.yaml", 3, message)


def test_the_artist_reads_each_open_point_once_and_without_jargon() -> None:
    findings = [
        *(_finding("empty-isrc", f"tracks[{n}].isrc") for n in range(12)),
        *(_finding("lossy-source", f"tracks[{n}].audio") for n in (0, 1, 2, 6)),
        _finding("heavy-limiting", "tracks[4]"),
        _finding("off-target", "tracks[4]"),
        _finding("cover-not-square", "release.front_cover"),
    ]
    assert list(open_points(findings)) == [
        "Tracks 1–3, 7 come from compressed files. If you have the original recording, please "
        "send it.",
        "Track 5 is so loud that its peaks are reduced by more than 3 dB. Check that the loudest "
        "parts still sound open.",
        "The front cover is not square. Shops ask for a square picture.",
    ]
    html = page_html(made_up_proof(["One"] * 12, findings=tuple(findings)))
    shown = _Seen(html).text
    assert shown.count("come from compressed files") == 1
    assert "`" not in shown
    assert "tracks[" not in shown


def test_the_levels_picture_shows_quiet_music_where_it_lies(tmp_path: Path) -> None:
    """Music at −50 LUFS is drawn above the bottom of its scale, not along it."""
    proof = made_up_proof(["One"], length_s=30.0)
    (disc,) = proof.discs
    (stretch,) = disc.stretches
    quiet = np.full_like(stretch.curves.short_term_lufs, -50.0)
    curves = replace(stretch.curves, short_term_lufs=quiet)
    hushed = replace(disc, stretches=(replace(stretch, curves=curves),))
    write_pictures(tmp_path, replace(proof, discs=(hushed,)))
    with Image.open(tmp_path / "levels.png") as image:
        pixels = np.asarray(image.convert("RGB")).astype(int)
    line = np.abs(pixels - (143, 42, 23)).sum(axis=2) < 40
    sheet = slice(mail.HEAD + 50, mail.HEAD + 50 + mail.CURVE)
    rows = np.flatnonzero(line[sheet, 400:1200].all(axis=1))
    assert len(rows)
    assert rows.max() < mail.CURVE - 8
