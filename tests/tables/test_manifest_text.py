"""What `import` writes: the lines of the changes, and not another character of the manifest."""

from __future__ import annotations

import difflib
from pathlib import Path

import pytest
import yaml
from desk import Desk
from tables.album import MANIFEST, code, manifest, of_kind, plan

from assembler.errors import AssemblerError
from assembler.manifest import load
from assembler.tables.import_plan import ImportPlan
from assembler.tables.manifest_text import edited_text, write_manifest

HEAD = "release: {artist: Halden Ferry Singers, title: Songs}\ntracks:\n"
TABLE = f"No,Title,ISRC,Composer,Publisher\n1,Low Lantern,{code(1)},Ines Falk / Mattis Oren,Quay\n"


def edited(found: ImportPlan) -> tuple[str, list[str]]:
    """Return the new text, and the messages of what could not be written."""
    text, _, findings = edited_text(found.source, found.written)
    return text, [finding.message for finding in findings]


def first_track(text: str) -> dict[str, object]:
    return yaml.safe_load(text)["tracks"][0]


def test_new_keys_follow_their_neighbours_and_nothing_else_changes(tmp_path: Path) -> None:
    found = plan(tmp_path, TABLE)
    text, _ = edited(found)
    lines = list(difflib.ndiff(MANIFEST.splitlines(), text.splitlines()))
    assert [line for line in lines if line[0] == "-"] == []
    assert [line for line in lines if line[0] == "+"] == [
        "+     isrc: AA-6Q7-27-00001",
        "+     composers: [Ines Falk, Mattis Oren]",
        "+     publisher: Quay",
    ]
    assert text.index("end: 3:05") < text.index("isrc:") < text.index("title: Tide Table")


@pytest.mark.parametrize(
    ("track", "changed"),
    [
        (
            "- title: 'Low Lantern'   # the tape\n  audio: a.wav\n  isrc:    # as assigned\n",
            "- title: 'Low Lantern'   # the tape\n  audio: a.wav\n"
            "  isrc: AA-6Q7-27-00001    # as assigned\n"
            "  composers: [Ines Falk, Mattis Oren]\n  publisher: Quay\n",
        ),
        (
            "- {title: Low Lantern, audio: a.wav}  # in flow\n",
            "- {title: Low Lantern, audio: a.wav, isrc: AA-6Q7-27-00001, composers: "
            "[Ines Falk, Mattis Oren], publisher: Quay}  # in flow\n",
        ),
        (
            "- title: Low Lantern\n  audio:\n    left: l.wav\n    right: r.wav\n  lyrics: |\n"
            "    Low water\n\n  # the end",
            "- title: Low Lantern\n  isrc: AA-6Q7-27-00001\n"
            "  composers: [Ines Falk, Mattis Oren]\n  publisher: Quay\n"
            "  audio:\n    left: l.wav\n    right: r.wav\n  lyrics: |\n    Low water\n\n"
            "  # the end",
        ),
        (
            "- title: Low Lantern\n  audio: a.wav",
            "- title: Low Lantern\n  audio: a.wav\n  isrc: AA-6Q7-27-00001\n"
            "  composers: [Ines Falk, Mattis Oren]\n  publisher: Quay",
        ),
        (
            '- {"title": "Low Lantern", "audio": "a.wav"}\n',
            '- {"title": "Low Lantern", "audio": "a.wav", "isrc": "AA-6Q7-27-00001", '
            '"composers": ["Ines Falk", "Mattis Oren"], "publisher": "Quay"}\n',
        ),
    ],
)
def test_every_way_to_write_a_track(track: str, changed: str, tmp_path: Path) -> None:
    text, unwritten = edited(plan(tmp_path, TABLE, text=HEAD + track))
    assert (text, unwritten) == (HEAD + changed, [])


@pytest.mark.parametrize("new_line", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
def test_line_ends_and_byte_order_mark_stay(new_line: str, mark: str, tmp_path: Path) -> None:
    content = mark + MANIFEST.replace("\n", new_line)
    found = plan(tmp_path, TABLE, text=content)
    write_manifest(found.source, edited(found)[0])
    written = (tmp_path / "songs.yaml").read_bytes().decode()
    assert (
        written.replace(f"    isrc: {code(1)}{new_line}", "").replace(
            f"    composers: [Ines Falk, Mattis Oren]{new_line}    publisher: Quay{new_line}", ""
        )
        == content
    )
    assert written.count(new_line) == content.count(new_line) + 3


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("composers: [Oda Brenn]  # by hand", "composers: [Ines Falk, Mattis Oren]  # by hand"),
        ("composers: Oda Brenn", "composers: [Ines Falk, Mattis Oren]"),
        ("composers:\n    - Oda Brenn\n    - Tove Lind  # words too",
         "composers:\n    [Ines Falk, Mattis Oren]  # words too"),
        ("publisher: 'The Loft'", "publisher: 'Quay'"),
        ('publisher: "The Loft" # old', 'publisher: "Quay" # old'),
    ],
)  # fmt: skip
def test_replaced_values_keep_quotes_and_comments(before: str, after: str, tmp_path: Path) -> None:
    text = f"{HEAD}- title: Low Lantern\n  audio: a.wav\n  {before}\n  # end\n"
    found = plan(tmp_path, TABLE, text=text, replace=True)
    key = before.split(":")[0]
    change = [c for c in found.written if c.key == key]
    new, _, unwritten = edited_text(found.source, change)
    assert (new, unwritten) == (text.replace(before, after), [])


@pytest.mark.parametrize(
    "publisher", [">-\n    The\n    Loft", "&loft The Loft", "!!str The Loft"], ids=repr
)
def test_what_can_not_be_edited_alone_is_reported(publisher: str, tmp_path: Path) -> None:
    text = f"{HEAD}- title: Low Lantern\n  audio: a.wav\n  publisher: {publisher}\n"
    try:
        found = plan(tmp_path, TABLE, text=text, replace=True)
    except AssemblerError:
        assert publisher.startswith("!!")  # refused in every manifest
        return
    new, unwritten = edited(found)
    assert len(unwritten) == 1
    assert "write `Quay` there yourself" in unwritten[0]
    assert first_track(new)["publisher"] == "The Loft"
    assert first_track(new)["isrc"] == code(1)


def test_an_alias_is_not_followed(tmp_path: Path) -> None:
    text = (
        f"{HEAD}- title: Tide Table\n  audio: b.wav\n  publisher: &loft The Loft\n"
        "- title: Low Lantern\n  audio: a.wav\n  publisher: *loft\n"
    )
    found = plan(tmp_path, TABLE.replace("1,Low", ",Low"), text=text, replace=True)
    new, unwritten = edited(found)
    assert len(unwritten) == 1
    assert [track["publisher"] for track in yaml.safe_load(new)["tracks"]] == ["The Loft"] * 2


def test_nothing_is_overwritten_without_replace(tmp_path: Path) -> None:
    text = f"{HEAD}- title: Low Lantern\n  audio: a.wav\n  isrc: {code(77)}\n  publisher: Loft\n"
    found = plan(tmp_path, TABLE, text=text)
    assert [(c.key, c.kind) for c in found.changes] == [
        ("isrc", "clash"), ("composers", "fill"), ("publisher", "clash")
    ]  # fmt: skip
    assert len(of_kind(found, "publisher-clash")) == 1
    (clash,) = [f for f in found.findings if f.code == "isrc-clash"]
    assert f"the manifest has `{code(77)}`, row 2 of table.csv has `{code(1)}`" in clash.message
    assert (clash.where, clash.line, clash.file) == ("tracks[0].isrc", 5, str(found.source.path))
    new, _ = edited(found)
    assert first_track(new)["isrc"] == code(77)
    assert first_track(new)["publisher"] == "Loft"


def test_the_file_is_replaced_at_once_and_keeps_its_mode(tmp_path: Path) -> None:
    found = plan(tmp_path, TABLE)
    path = tmp_path / "songs.yaml"
    path.chmod(0o640)
    write_manifest(found.source, edited(found)[0])
    assert path.stat().st_mode & 0o777 == 0o640
    assert load(path).manifest.tracks[0].isrc == "AA6Q72700001"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["songs.yaml", "table.csv"]


def test_a_text_that_does_not_load_is_never_written(tmp_path: Path) -> None:
    source = load(manifest(tmp_path))
    before = source.path.read_bytes()
    with pytest.raises(AssemblerError):
        write_manifest(source, source.text.replace("title:", "titel:"))
    assert source.path.read_bytes() == before
    assert [p.name for p in tmp_path.iterdir()] == ["songs.yaml"]


def test_a_manifest_that_changed_meanwhile_is_not_written(tmp_path: Path) -> None:
    found = plan(tmp_path, TABLE)
    text, _ = edited(found)
    found.source.path.write_text(MANIFEST + "# mine\n", encoding="utf-8")
    with pytest.raises(AssemblerError, match="changed while it was read"):
        write_manifest(found.source, text)
    assert found.source.path.read_text(encoding="utf-8").endswith("# mine\n")


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    found = plan(tmp_path, TABLE)
    link = tmp_path / "link.yaml"
    link.symlink_to(found.source.path)
    source = load(link)
    write_manifest(source, edited_text(source, found.written)[0])
    assert link.is_symlink()
    assert load(found.source.path).manifest.tracks[0].isrc == "AA6Q72700001"


def test_what_is_not_written_is_shown_as_kept(desk: Desk) -> None:
    manifest = desk.write(
        f"{HEAD}- title: Low Lantern\n  audio: a.wav\n  composers:\n  - Oda Brenn  # words\n"
        "  - Tove Lind\n"
    )
    (desk.folder / "t.csv").write_text(TABLE, encoding="utf-8")
    exit_code, document = desk.json("import", desk.folder / "t.csv", manifest, "--replace")
    kinds = {change["key"]: change["kind"] for change in document["changes"]}
    assert (exit_code, document["written"]) == (0, True)
    assert kinds == {"isrc": "fill", "composers": "clash", "publisher": "fill"}
    (finding,) = [f for f in document["findings"] if f["code"] == "not-written"]
    assert finding["where"] == "tracks[0].composers"
    assert "  - Oda Brenn  # words\n" in manifest.read_text(encoding="utf-8")
