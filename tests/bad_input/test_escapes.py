"""Texts that try to break out of their context: a release of nothing but such texts. HTML:
html.spec.whatwg.org, 13.1.2.6 and 4.12.1.3 (from memory); CSV: RFC 4180, and OWASP, "CSV Injection"
(from memory); XML 1.0; bidirectional controls: Unicode Standard Annex 9, table 1."""

from __future__ import annotations

import csv
import io
import json
import re
import subprocess
import urllib.parse
import xml.etree.ElementTree as ElementTree
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import mutagen
import pytest
from desk import Desk, hum
from outside import output_of, program

from assembler.manifest import load

TEXTS = [
    "<script>alert(1)</script>",
    "</script><script>alert(1)</script>",
    "<!-- <script>",
    "]]><![CDATA[",
    '" onload="alert(1)" x=\'',
    "&lt;b&gt; &amp;#0; &#x202e;",
    "${7*7} #{7*7} <%= 7 %>",
    "{{ 7*7 }} {% raw %} {# x #}",
    "=cmd|' /C calc'!A0",
    "+1+cmd",
    "-2+3",
    "@SUM(A1)",
    "＝1+1",
    "%0d%0aSet-Cookie: x",
    "$(touch here) `touch here`; touch here & touch here",
    '\\" FILE \\" REM \\ \\n \\0',
    '" WAVE TRACK 99 AUDIO',
    "\u202egnp.exe\u202c \u2066x\u2069",
    "\u200b\ufeffzero\u2060width",
    "(\\) Tj ET /JS (app.alert(1)) \\251",
    "[link=file:///etc/passwd]x[/link] [/red] :smile:",
    "a,b;c\td".replace("\t", " "),
    "' OR 1=1 --",
    "../../../etc/passwd",
    "http://127.0.0.1/x.js",
    "javascript:alert(1)",
]
BREAKS = ["\r\n", "\n", "\r", "\u2028", "\u2029", "\x0b", "\x0c", "\x85", "\x1b"]
INVISIBLE = re.compile("[\\u200b\\u2060\\ufeff\\u202a-\\u202e\\u2066-\\u2069]")
ACTIONS = [b"/JavaScript", b"/JS ", b"/OpenAction", b"/Launch", b"/URI", b"/EmbeddedFile"]
FORMULA = re.compile(r"[=+\-@\t\r\n＝＋－＠]")


def manifest_of(texts: list[str]) -> str:
    """Write a manifest (JSON is YAML) with one track per text, which is in all its fields."""

    def text(n: int) -> str:
        return texts[n % len(texts)]

    names = ("artist", "title", "catalogue_number", "label", "genre", "p_line", "c_line")
    tree = {
        "release": {name: text(n) for n, name in enumerate(names)} | {"barcode": "2000000000145"},
        "level": {"match": "none"},
        "download": {"formats": ["flac-16"]},
        "tracks": [
            {
                "title": one,
                "audio": "a.wav",
                "version": text(n + 1),
                "artist": text(n + 2),
                "composers": [text(n + 3), text(n + 4)],
                "publisher": text(n + 5),
                "recorded_at": text(n + 6),
                "lyrics": f"{one}\n{text(n + 7)}",
                "comment": text(n + 8),
            }
            for n, one in enumerate(texts)
        ],
        "credits": [{"name": one, "roles": [text(n + 9)]} for n, one in enumerate(texts)],
        "text": {"notes": "\n\n".join(texts), "thanks": "\n".join(texts)},
    }
    return json.dumps(tree, ensure_ascii=False)


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A release of such texts and a plain one, built."""
    from assembler import build

    found = {}
    for name, texts in (("odd", TEXTS), ("plain", [f"Plain {n}" for n in range(len(TEXTS))])):
        folder = tmp_path_factory.mktemp(name)
        made = Desk(folder, None)  # type: ignore[arg-type]
        made.sound("a.wav", hum(4.1, 44100), 44100)
        report = build(load(made.write(manifest_of(texts))), made.out)
        assert sorted(path.name for path in folder.iterdir()) == [
            "a.wav",
            "finished",
            "songs.yaml",
        ]
        (found[name],) = made.out.iterdir()
        assert report.release_dir == found[name]
    return found


@pytest.fixture
def release(folders: dict[str, Path]) -> Path:
    """The release of such texts."""
    return folders["odd"]


@pytest.mark.thorough
def test_verify_accepts_it(
    release: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code, document = Desk(tmp_path, capsys).json("verify", release)
    assert (code, document["findings"]) == (0, [])


def test_tags_have_the_texts_unchanged(release: Path) -> None:
    files = sorted((release / "download" / "flac-16").iterdir())
    titles = [mutagen.File(path)["title"][0] for path in files]
    assert titles == [f"{one} ({TEXTS[(n + 1) % len(TEXTS)]})" for n, one in enumerate(TEXTS)]


def test_names_of_files_are_plain(release: Path) -> None:
    names = [path.name for path in release.parent.rglob("*")]
    assert not [name for name in names if re.search(r'[<>:"/\\|?*\x00-\x1f\x7f]', name)]
    assert not [name for name in names if INVISIBLE.search(name)]
    assert not [name for name in names if name.startswith((".", "~")) or name.endswith((" ", "."))]


def test_checksums_are_read_by_sha256sum(release: Path) -> None:
    program("sha256sum", "coreutils")
    done = subprocess.run(
        ["sha256sum", "--strict", "-c", "SHA256SUMS"], cwd=release, capture_output=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, b"")
    assert len(done.stdout.splitlines()) > len(TEXTS)


def rows_of(path: Path) -> list[dict[str, str]]:
    """Read a CSV file."""
    return list(csv.DictReader(io.StringIO(path.read_bytes().decode("utf-8"), newline="")))


def test_no_cell_of_the_table_is_a_formula(release: Path) -> None:
    rows = rows_of(release / "download" / "release.csv")
    assert len(rows) == len(TEXTS)
    cells = [cell for row in rows for cell in row.values()]
    assert not [cell for cell in cells if FORMULA.match(cell)]
    formulas = [text for text in TEXTS if FORMULA.match(text)]
    assert len(formulas) == 5
    assert [row["title"] for row in rows if row["title"].startswith("'=")] == [f"'{formulas[0]}"]
    titles = [row["title"] for row in rows]
    unguarded = [t[1:] if t[0] == "'" and FORMULA.match(t[1:]) else t for t in titles]
    assert unguarded == TEXTS


def test_the_table_as_json_has_the_texts_unchanged(release: Path) -> None:
    table = json.loads((release / "download" / "release.json").read_text(encoding="utf-8"))
    assert [track["title"] for track in table["tracks"]] == TEXTS
    report = json.loads((release / "report.json").read_text(encoding="utf-8"))
    assert len(report["tracks"]) == len(TEXTS)


class Seen(HTMLParser):
    """Elements with the names of their attributes, addresses, and scripts of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[tuple[str, tuple[str, ...]]] = []
        self.addresses: list[str] = []
        self.comments = 0
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Take an element down."""
        self.elements.append((tag, tuple(name for name, _ in attrs)))
        self.addresses += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_comment(self, _data: str) -> None:
        """Count a comment."""
        self.comments += 1


def test_no_text_becomes_an_element_of_the_page(folders: dict[str, Path]) -> None:
    paths = {name: folder / "proof" / "index.html" for name, folder in folders.items()}
    pages = {name: path.read_text(encoding="utf-8") for name, path in paths.items()}
    odd, plain = Seen(pages["odd"]), Seen(pages["plain"])
    kinds = {tag for tag, _ in plain.elements}
    assert {tag for tag, _ in odd.elements} <= kinds | {"bdo"}
    assert [e for e in odd.elements if e[0] == "script"] == [
        e for e in plain.elements if e[0] == "script"
    ]
    assert not [a for _, attributes in odd.elements for a in attributes if a.startswith("on")]
    assert odd.comments == plain.comments
    data = pages["odd"].split('id="release">')[1].split("</script>")[0]
    assert "<" not in data
    titles = [track["title"] for disc in json.loads(data)["discs"] for track in disc["tracks"]]
    assert len(titles) == len(TEXTS)
    assert all(title.startswith(text) for title, text in zip(titles, TEXTS, strict=True))
    assert "49" not in re.findall(r"<bdi[^>]*>\s*([^<]*)", pages["odd"])


def test_every_address_of_the_page_is_a_file_of_the_release(release: Path) -> None:
    page = Seen((release / "proof" / "index.html").read_text(encoding="utf-8"))
    outside = [address for address in page.addresses if not address.startswith("#")]
    assert len(outside) > len(TEXTS)
    for address in outside:
        parts = urllib.parse.urlsplit(address)
        assert (parts.scheme, parts.netloc, parts.query) == ("", "", "")
        path = (release / "proof" / urllib.parse.unquote(parts.path)).resolve()
        assert path.is_relative_to(release.resolve())
        assert path.is_file(), address


@pytest.mark.wants("cueprint")
def test_the_cue_sheet_has_no_line_from_a_text(folders: dict[str, Path]) -> None:
    def kinds(folder: Path) -> list[str]:
        (sheet,) = (folder / "disc").glob("*.cue")
        return [line.split()[0] for line in sheet.read_bytes().decode("latin-1").splitlines()]

    assert [k for k in kinds(folders["odd"]) if k not in ("REM", "SONGWRITER", "ISRC")] == [
        k for k in kinds(folders["plain"]) if k not in ("REM", "SONGWRITER", "ISRC")
    ]
    (sheet,) = (folders["odd"] / "disc").glob("*.cue")
    for line in sheet.read_bytes().decode("latin-1").splitlines():
        assert line.count('"') in (0, 2)
    tracks = output_of("cueprint", "-d", "%N", sheet, package="cuetools").strip()
    assert int(tracks) == len(TEXTS)


def test_a_pdf_has_texts_and_no_actions(release: Path) -> None:
    for path in release.rglob("*.pdf"):
        content = path.read_bytes()
        for key in ACTIONS:
            assert key not in content, (path.name, key)
    text = output_of(
        "pdftotext", release / "paper" / "credits-sheet.pdf", "-", package="poppler-utils"
    )
    flowed = re.sub(r"\s+", "", text)
    for title in (TEXTS[0], TEXTS[6], TEXTS[7], TEXTS[8], TEXTS[19]):
        assert re.sub(r"\s+", "", title) in flowed


def test_texts_on_paper_add_no_lines(release: Path) -> None:
    for name in ("credits-sheet.txt", "label-copy.txt"):
        content = (release / "paper" / name).read_bytes().decode("utf-8")
        assert not re.search("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028\u2029]", content)
    ElementTree.parse(release / "paper" / "barcode.svg")


@pytest.mark.parametrize("sign", BREAKS, ids=ascii)
@pytest.mark.parametrize("field", ["title", "artist", "publisher", "version"])
def test_a_text_of_one_line_stays_on_one(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], sign: str, field: str
) -> None:
    desk = Desk(tmp_path, capsys)
    desk.sound("a.wav", hum(4.1))
    tree: dict[str, Any] = json.loads(manifest_of(["Low Lantern"]))
    tree["tracks"][0][field] = f"a{sign}b"
    code, errors = desk.reported_clearly("check", desk.write(json.dumps(tree)))
    assert code == 1
    assert [(error["code"], error["where"]) for error in errors] == [
        ("bad-text", f"tracks[0].{field}")
    ]


def test_a_terminal_gets_no_escape_sequences(
    folders: dict[str, Path], capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    manifest = folders["odd"].parent.parent / "songs.yaml"
    code, out, err = Desk(tmp_path, capsys).run("check", manifest)
    assert code == 0
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f-\x9f\u2028\u2029]", out + err)
    shown = re.sub(r"\s+", "", out)
    assert "[link=file:///etc/passwd]x[/link][/red]:smile:" in shown
