"""Details for shops and societies through a whole release: built, verified, changed, compared.

Texts on the disc are read from the lines of the cue sheet and the
bytes of the CD-Text packs.
"""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile

from assembler import build, load, verify
from assembler.compare.comparison import compare
from assembler.disc.cd_text_reader import read_cd_text

RATE_HZ = 44100
MANIFEST = """\
release:
  artist: Halden Ferry Singers
  title: Slack Water
  catalogue_number: TWE-9
  language: en
  sort_name: Ferry Singers, Halden
  advisory: none
  territories: [NO, SE]
level: {match: none}
download: {formats: [flac-16]}
tracks:
- {title: Low Lantern, audio: a.wav, instrumental: true, composers: [Ines Falk]}
- title: Ropewalk Round
  audio: a.wav
  version: live
  featuring: [Jorun Hald]
  conductor: Rune Vik
  orchestra: Boathouse Band
  work: Rounds for Low Water
  movement: Ropewalk
  movement_number: 2
  iswc: T-999.999.999-4
  publishers: [{name: Quay Songs, share: 60, ipi: 99999999919}, {name: Net Loft, share: 40}]
  recording_country: "NO"
  advisory: explicit
  p_line: 1994 Net Loft
"""


@pytest.fixture(scope="module")
def desk(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("details")
    tone = 0.2 * np.sin(2 * np.pi * 220 * np.arange(5 * RATE_HZ) / RATE_HZ)
    soundfile.write(folder / "a.wav", np.stack([tone, tone], 1), RATE_HZ, subtype="PCM_16")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    return folder


@pytest.fixture(scope="module")
def finished(desk: Path) -> Path:
    return build(load(desk / "songs.yaml"), desk / "out").release_dir


def codes(folder: Path) -> set[tuple[str, str]]:
    return {(finding.code, finding.where) for finding in verify(folder).findings}


def test_the_release_is_verified_and_its_report_has_the_details(finished: Path) -> None:
    assert verify(finished).ok
    report = json.loads((finished / "report.json").read_text("utf-8"))
    assert report["release"]["territories"] == ["NO", "SE"]
    assert report["release"]["sort_name"] == "Ferry Singers, Halden"
    assert [track["title"] for track in report["tracks"]] == [
        "Low Lantern", "Ropewalk Round (feat. Jorun Hald) [live]",
    ]  # fmt: skip


def test_the_disc_has_the_title_with_featured_artists_and_no_other_detail(finished: Path) -> None:
    cue = (finished / "disc" / "TWE-9.cue").read_text("latin-1")
    assert re.findall(r'TITLE "(.*)"', cue) == [
        "Slack Water", "Low Lantern", "Ropewalk Round (feat. Jorun Hald) [live]",
    ]  # fmt: skip
    packs = (finished / "disc" / "TWE-9.cdtext").read_bytes()
    texts = json.dumps(read_cd_text(packs, "packs"), default=lambda part: vars(part))
    assert "Ropewalk Round (feat. Jorun Hald) [live]" in texts
    for foreign in ("999", "Quay", "Boathouse", "explicit", "Rounds for", "Vik", "1994", "zxx"):
        assert foreign not in cue
        assert foreign.encode() not in packs
        assert foreign not in texts


@pytest.mark.parametrize(
    ("tag", "value"),
    [("ISWC", "T-000.000.001-0"), ("MOVEMENTNUMBER", "3"),
     *(pytest.param(*one, marks=pytest.mark.thorough) for one in (
         ("WORK", "Other"), ("LANGUAGE", "sv"), ("ALBUMARTISTSORT", "Vik"),
         ("PHONOGRAM", "2027 Vik"), ("REMIXER", "Vik")))],
)  # fmt: skip
def test_a_changed_tag_is_found(tag: str, value: str, finished: Path, tmp_path: Path) -> None:
    folder = tmp_path / finished.name
    shutil.copytree(finished, folder)
    (path,) = (folder / "download" / "flac-16").glob("02*.flac")
    file: Any = mutagen.File(path)
    file[tag] = value
    file.save()
    where = f"download/flac-16/{path.name}"
    found = codes(folder)
    assert {place for _, place in found} == {where}
    assert len(found) > 1  # the tags, and not the checksum alone


def test_a_changed_table_is_found(finished: Path, tmp_path: Path) -> None:
    folder = tmp_path / finished.name
    shutil.copytree(finished, folder)
    path = folder / "download" / "release.json"
    path.write_text(path.read_text("utf-8").replace('"share": 60.0', '"share": 61.0'), "utf-8")
    assert ("other-text", "download/release.json") in codes(folder)


def test_each_change_is_compared_as_a_field(desk: Path, finished: Path) -> None:
    edits = (
        ("iswc: T-999.999.999-4", "iswc: T-034.524.680-1"),
        ("advisory: explicit", "advisory: clean"),
        ("share: 60", "share: 50"),
        ("share: 40", "share: 50"),
        ("instrumental: true", "language: zxx"),
        ("territories: [NO, SE]", "territories: [NO]"),
        ("featuring: [Jorun Hald]", "featuring: [Jorun Hald, Tove Lind]"),
    )
    text = MANIFEST
    for old, new in edits:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (desk / "other.yaml").write_text(text, encoding="utf-8")
    other = build(load(desk / "other.yaml"), desk / "out2").release_dir
    found = {(one.code, one.subject, one.text) for one in compare(finished, other).differences}
    words = {(field, text) for code, field, text in found if code == "words"}
    assert words == {
        ("ISWC", "T-999.999.999-4 → T-034.524.680-1"),
        ("advisory", "explicit → clean"),
        ("instrumental", "yes → no"),
        ("language", "none → zxx"),
        ("featuring", "Jorun Hald → Jorun Hald, Tove Lind"),
        ("publishers", "Quay Songs (60 %, IPI 99999999919) → Quay Songs (50 %, IPI 99999999919)"),
        ("publishers", "Net Loft (40 %) → Net Loft (50 %)"),
    }  # fmt: skip
    assert ("release", "release, territories", "NO, SE → NO") in found
