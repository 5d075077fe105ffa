"""What shops and societies ask for, from a label's table into the manifest.

Expected values by hand. ISWC: the standard's own example; the IPI name number is invented.
"""

from __future__ import annotations

import csv
import difflib
from pathlib import Path

import pytest
import yaml
from desk import Desk
from tables.album import MANIFEST, of_kind, plan

from assembler.manifest import Track, load
from assembler.tables.export import export_table
from assembler.tables.import_plan import ImportPlan
from assembler.tables.manifest_text import edited_text, write_manifest

HEAD = "release: {artist: Halden Ferry Singers, title: Songs}\ntracks:\n"
ONE = HEAD + "  - title: Low Lantern\n    audio: a.wav\n"


def imported(found: ImportPlan) -> list[Track]:
    """Write what an import changes, and load the manifest again."""
    text, _, findings = edited_text(found.source, found.written)
    assert findings == []
    write_manifest(found.source, text)
    return list(load(found.source.path).manifest.tracks)


def one(folder: Path, columns: dict[str, str], text: str = ONE) -> ImportPlan:
    """Plan the import of a row for the manifest's only track."""
    head, row = "\t".join(("Title", *columns)), "\t".join(("Low Lantern", *columns.values()))
    return plan(folder, f"{head}\n{row}\n", text=text, name="t.tsv")


def test_every_column_lands_in_its_key(tmp_path: Path) -> None:
    found = one(
        tmp_path,
        {
            "ISWC": "T0345246801", "Language": "Norwegian", "Lyrics language": "nn",
            "Explicit": "Y", "Genre": "Folk", "Featured artist": "Jorun Hald; Tove Lind",
            "Remixer": "Kari Nymoen", "Conductor": "Ines Falk", "Orchestra": "Boathouse Band",
            "Soloists": "Nils Aker", "Work": "Rounds for Low Water", "Movement": "Ropewalk",
            "Movement no": "2", "(P)": "2026 Boathouse Hall", "Country of recording": "Norway",
            "Original release date": "2026-06", "Publisher": "Tidewrack Songs; Net Loft",
            "Publisher share": "60 %; 40 %", "Publisher IPI": "999.999.999-19",
        },
    )  # fmt: skip
    assert found.findings == ()
    (track,) = imported(found)
    assert (track.iswc, track.language, track.lyrics_language) == ("T-034.524.680-1", "no", "nn")
    assert (track.advisory, track.genre, track.p_line) == (
        "explicit",
        "Folk",
        "2026 Boathouse Hall",
    )
    assert (track.featuring, track.remixers) == (("Jorun Hald", "Tove Lind"), ("Kari Nymoen",))
    assert (track.conductor, track.orchestra) == (("Ines Falk",), ("Boathouse Band",))
    assert (track.soloists, track.work) == (("Nils Aker",), "Rounds for Low Water")
    assert (track.movement, track.movement_number) == ("Ropewalk", 2)
    assert (track.recording_country, track.original_release_date) == ("NO", "2026-06")
    assert [publisher.text for publisher in track.publishers] == [
        "Tidewrack Songs (60 %, IPI 99999999919)", "Net Loft (40 %)",
    ]  # fmt: skip
    again = plan(tmp_path, (tmp_path / "t.tsv").read_text("utf-8"), name="t.tsv",
                 text=found.source.path.read_text("utf-8"))  # fmt: skip
    assert again.changes == ()


@pytest.mark.parametrize(
    ("cell", "expected"),
    [("Yes", "explicit"), ("explicit", "explicit"), ("No", "none"), ("Clean", "clean"),
     ("Not explicit", "none"), ("Edited", "clean")],
)  # fmt: skip
def test_advisories_as_labels_write_them(cell: str, expected: str, tmp_path: Path) -> None:
    (track,) = imported(one(tmp_path, {"Explicit": cell, "Genre": "Folk"}))
    assert track.advisory == expected


@pytest.mark.parametrize(
    ("cell", "expected"), [("Y", True), ("x", True), ("instrumental", True), ("no", False)]
)
def test_instrumentals_as_labels_write_them(cell: str, expected: bool, tmp_path: Path) -> None:
    found = one(tmp_path, {"Instrumental": cell, "Genre": "Folk"})
    (track,) = imported(found)
    assert track.instrumental is expected
    text = found.source.path.read_text("utf-8")
    assert yaml.safe_load(text)["tracks"][0].get("instrumental", False) is expected


@pytest.mark.parametrize(
    ("heading", "cell", "code", "said"),
    [
        ("ISWC", "T-034.524.680-2", "bad-iswc", "its other digits require 1"),
        ("Language", "Elvish", "bad-language", "ISO 639"),
        ("Explicit", "maybe", "bad-advisory", "Advisory"),
        ("Country", "Atlantis", "bad-recording-country", "ISO 3166-1"),
        ("Publisher share", "60; 40; 5", "bad-publisher-shares", "3 values for 2 publishers"),
        ("Publisher share", "60; 30", "bad-publisher-shares", "sum to 90.00"),
        ("Publisher IPI", "99999999918", "bad-publisher-ipi", "require 19"),
        ("Conductor", "Falk, Ines", "comma-in-name", "surname first"),
        ("Performers", "Falk, Ines (voice)", "comma-in-name", "surname first"),
    ],
)
def test_a_wrong_cell_is_left_out_with_a_finding(
    heading: str, cell: str, code: str, said: str, tmp_path: Path
) -> None:
    found = one(tmp_path, {heading: cell, "Publisher": "Tidewrack Songs; Net Loft"})
    (finding,) = found.findings
    assert (finding.severity, finding.code) == ("warning", code)
    assert said in finding.message
    assert [change.key for change in found.changes] == ["publisher"]


WRITERS = {"Composer": "Ines Falk; Mattis Oren", "Lyricist": "Ines Falk"}
TWO_IPIS = ["Ines Falk (IPI 99999999821)", "Mattis Oren (IPI 99999999919)"]


@pytest.mark.parametrize(
    "cell",
    [
        "99999999821; 999.999.999-19",
        "999.999.998-21, 99999999919",
        "Mattis Oren (IPI 99999999919); ines falk: 99999999821",
        "Mattis Oren 99999999919 / Ines Falk - IPI: 99999999821",
    ],
)
def test_ipis_of_writers_as_labels_write_them(cell: str, tmp_path: Path) -> None:
    (track,) = imported(one(tmp_path, {**WRITERS, "Writer IPI": cell}))
    assert sorted(writer.text for writer in track.writers_ipi) == TWO_IPIS


def test_ipis_beside_each_composer(tmp_path: Path) -> None:
    table = (
        "Title\tComposer 1\tIPI\tComposer 2\tIPI\n"
        "Low Lantern\tInes Falk\t99999999821\tMattis Oren\t99999999919\n"
    )
    (track,) = imported(plan(tmp_path, table, text=ONE, name="t.tsv"))
    assert [writer.text for writer in track.writers_ipi] == TWO_IPIS


@pytest.mark.parametrize(
    ("cell", "said"),
    [
        ("99999999821", "1 number for 2 writers"),  # whose?
        ("99999999821; 99999999918", "require 19"),
        ("Ines Falk; Mattis Oren", "is not a name and an IPI name number"),
        ("Tove Lind: 99999999821", "is not a composer, lyricist or arranger here"),
    ],
)
def test_an_ipi_that_is_not_certain_is_left_out(cell: str, said: str, tmp_path: Path) -> None:
    found = one(tmp_path, {**WRITERS, "IPI": cell})
    (message,) = of_kind(found, "bad-ipi")
    assert said in message
    assert "writers_ipi" not in {change.key for change in found.changes}


def test_an_ipi_for_a_writer_of_the_manifest_keeps_the_others(tmp_path: Path) -> None:
    text = (
        ONE + "    composers: [Ines Falk, Mattis Oren]\n"
        "    writers_ipi: [{name: Ines Falk, ipi: 99999999821}]\n"
    )
    (change,) = one(tmp_path, {"IPI": "Mattis Oren: 99999999919", "ISRC": ""}, text).changes
    assert (change.kind, change.after) == ("clash", "; ".join(TWO_IPIS))


SETS = (
    "release: {artist: Halden Ferry Singers, title: Songs}\n"
    "download: [{name: shop, formats: [flac-16]}, {name: hi-res, formats: [flac-24]}]\n"
    "tracks:\n"
    "  - {title: Low Lantern, audio: a.wav}\n"
    "  - {title: Tide Table, audio: b.wav, on: [disc]}\n"
    "  - {title: Low Lantern, version: Radio Edit, audio: c.wav}\n"
)


def on_and_originals(folder: Path, *rows: str) -> ImportPlan:
    table = "\n".join(["No.\tTitle\tVersion\tOn\tVersion of", *rows])
    return plan(folder, f"{table}\n", text=SETS, name="t.tsv")


@pytest.mark.parametrize("original", ["Low Lantern", "low lantern", "7", "Track 7"])
def test_editions_and_originals(original: str, tmp_path: Path) -> None:
    """The numbers are the table's own: its row 7 is track 1."""
    found = on_and_originals(
        tmp_path, "7\tLow Lantern\t\tall\t", "8\tTide Table\t\tCD only\t",
        f"9\tLow Lantern\tRadio Edit\tShop and Hi-Res\t{original}",
    )  # fmt: skip
    assert found.findings == ()
    first, second, third = imported(found)
    assert (first.on, second.on) == ((), ("disc",))
    assert (third.on, third.version_of) == (("shop", "hi-res"), 1)
    export_table(load(found.source.path), tmp_path / "again.tsv")
    with (tmp_path / "again.tsv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file, delimiter="\t"))
    assert [(row["On"], row["Version of"]) for row in rows] == [
        ("", ""), ("disc", ""), ("shop; hi-res", "Low Lantern"),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("on", "original", "code", "said"),
    [
        ("vinyl", "", "bad-on", "there is no edition `vinyl`, only disc, download, shop, hi-res"),
        ("", "4", "bad-version-of", "not the title or the number of one track"),
        ("", "Undertow", "bad-version-of", "not the title or the number of one track"),
        ("", "Low Lantern (Radio Edit)", "bad-version-of", "not a version of itself"),
    ],
)
def test_editions_and_originals_that_are_not_there(
    on: str, original: str, code: str, said: str, tmp_path: Path
) -> None:
    found = on_and_originals(tmp_path, f"3\tLow Lantern\tRadio Edit\t{on}\t{original}")
    (message,) = of_kind(found, code)
    assert said in message and found.changes == ()


def test_another_edition_clashes_with_the_manifests(tmp_path: Path) -> None:
    found = on_and_originals(tmp_path, "2\tTide Table\t\teverywhere\t")
    assert [(c.kind, c.before, c.after) for c in found.changes] == [
        ("clash", "disc", "disc; download")
    ]


@pytest.mark.parametrize("cell", ["60; 40", "60 %; 40 %", "0.6; 0.4", "0.60;0.40"])
def test_shares_as_labels_write_them(cell: str, tmp_path: Path) -> None:
    found = one(tmp_path, {"Publisher": "Quay Songs; Net Loft", "Publisher share": cell})
    (track,) = imported(found)
    assert [publisher.share for publisher in track.publishers] == [60, 40]


def test_what_the_manifest_has_stays(tmp_path: Path) -> None:
    text = ONE + "    iswc: T-999.999.999-4\n    publishers: [{name: Quay, share: 100}]\n"
    found = one(tmp_path, {"ISWC": "T0345246801", "Publisher share": "99"}, text)
    assert [(change.kind, change.key) for change in found.changes] == [("clash", "iswc")]
    assert of_kind(found, "bad-publisher-shares")  # 99 % of the one that the manifest has
    assert "T-999.999.999-4" in of_kind(found, "iswc-clash")[0]


def test_shares_for_the_publisher_of_the_manifest(tmp_path: Path) -> None:
    found = one(
        tmp_path, {"Publisher share": "100", "Genre": "Folk"}, ONE + "    publisher: Quay\n"
    )
    (track,) = imported(found)
    assert (track.publisher, track.publishers[0].text) == ("Quay", "Quay (100 %)")


def test_shares_of_other_publishers_than_the_manifests_clash(tmp_path: Path) -> None:
    columns = {"Publisher": "Net Loft", "Publisher share": "100", "Genre": "Folk"}
    found = one(tmp_path, columns, ONE + "    publisher: Quay\n")
    assert [(change.kind, change.key, change.before) for change in found.changes] == [
        ("clash", "publisher", "Quay"), ("clash", "publishers", "Quay"), ("fill", "genre", ""),
    ]  # fmt: skip


CREDITS_BLOCK = """\
credits:
  - {name: Ines Falk, roles: [mastering]}   # the studio

# the sleeve
text: {notes: Low}
"""
PERFORMERS = {"Performers": "Tove Lind (drum, rattle); Ines Falk (voice); Nils Aker"}


@pytest.mark.parametrize(
    ("before", "added"),
    [
        ("", ["", "credits:"]),
        (CREDITS_BLOCK, []),
        ("credits:\n- name: Ines Falk\n  roles:\n  - mastering\n", []),
        ("credits: [{name: Ines Falk, roles: [mastering]}]\n", None),
    ],
)
def test_performers_become_credits(before: str, added: list[str] | None, tmp_path: Path) -> None:
    found = one(tmp_path, PERFORMERS, ONE + before)
    imported(found)
    manifest = load(found.source.path).manifest
    assert [(c.name, c.roles, c.tracks) for c in manifest.credits if c.tracks] == [
        ("Tove Lind", ("drum", "rattle"), (1,)),
        ("Ines Falk", ("voice",), (1,)),
        *([("Nils Aker", ("performer",), (1,))]),
    ]
    old, new = (ONE + before).splitlines(), found.source.path.read_text("utf-8").splitlines()
    lines = [line for line in difflib.ndiff(old, new) if line[0] in "+-"]
    if added is not None:
        assert [line for line in lines if line[0] == "-"] == []
        assert [line[2:] for line in lines[: len(added)]] == added
        assert len(lines) == 3 + len(added)
        assert "{name: Tove Lind, roles: [drum, rattle], tracks: [1]}" in lines[-3]
    assert plan(tmp_path, (tmp_path / "t.tsv").read_text("utf-8"), name="t.tsv",
                text=found.source.path.read_text("utf-8")).changes == ()  # fmt: skip


def test_one_credit_for_all_tracks_of_a_performer(tmp_path: Path) -> None:
    table = "Title\tPerformers\nLow Lantern\tTove Lind (drum)\nTide Table\tTove Lind (drum)\n"
    found = plan(tmp_path, table, name="t.tsv")
    text, written, _ = edited_text(found.source, found.written)
    assert len(written) == 2
    assert text.removeprefix(MANIFEST) == (
        "\ncredits:\n  - {name: Tove Lind, roles: [drum], tracks: [1, 2]}\n"
    )


def test_performers_that_are_credited_already_are_no_change(tmp_path: Path) -> None:
    text = ONE + "credits: [{name: Tove Lind, roles: [Drum]}, {name: Nils Aker, roles: [fiddle]}]\n"
    found = one(tmp_path, {"Performers": "tove lind (drum); Nils Aker", "Genre": "Folk"}, text)
    assert [change.key for change in found.changes] == ["genre"]


def test_credits_that_cannot_be_edited_are_named(tmp_path: Path) -> None:
    found = one(tmp_path, PERFORMERS, ONE + "credits: []\n")
    text, written, findings = edited_text(found.source, found.written)
    assert (text, written) == (found.source.text, ())
    assert "Tove Lind (drum, rattle); Ines Falk (voice)" in findings[0].message


def test_the_command_shows_and_writes_them(desk: Desk) -> None:
    path = desk.folder / "t.csv"
    path.write_text(
        "Title,ISWC,Language,Publisher,Publisher share,Performers\n"
        "Low Lantern,T-034.524.680-1,no,Quay,100,Tove Lind (drum)\n",
        "utf-8",
    )
    code, out, _ = desk.run("import", path, desk.write())
    assert code == 0
    assert "5 changes; written" in out
    for text in ("T-034.524.680-1", "Quay (100 %)", "Tove Lind (drum)"):
        assert text in out
    _, document = desk.json("check", desk.folder / "songs.yaml")
    assert not {"two-publishers"} & {finding["code"] for finding in document["findings"]}
