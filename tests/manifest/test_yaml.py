"""YAML files that are not manifests: YAML 1.1 as PyYAML reads it, and the known ways to make a
small file grow large or to construct objects (from memory)."""

from __future__ import annotations

from pathlib import Path

import pytest
from manifest.kinds import Loading, Refusing

from assembler import FindingsError, load

GOOD = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
tracks:
  - title: Low Lantern
    audio: a.wav
  - title: Tide Table
    audio: b.wav
"""


def test_the_manifest_itself_is_good(loaded: Loading) -> None:
    assert [track.title for track in loaded(GOOD).manifest.tracks] == ["Low Lantern", "Tide Table"]


def test_duplicate_key(refused: Refusing) -> None:
    (finding,) = refused(GOOD.replace("title: Songs", "artist: Oda Brenn\n  title: Songs"))
    assert (finding.code, finding.where, finding.line) == ("duplicate-key", "release.artist", 3)
    assert "line 2" in finding.message


def test_duplicate_section(refused: Refusing) -> None:
    (finding,) = refused(GOOD + "release: {artist: Oda Brenn, title: Other}\n")
    assert (finding.code, finding.where, finding.line) == ("duplicate-key", "release", 9)


def test_every_duplicate_key_is_reported(refused: Refusing) -> None:
    findings = refused(GOOD + "    title: Again\n    audio: c.wav\n")
    assert [(f.where, f.line) for f in findings] == [
        ("tracks[1].title", 9),
        ("tracks[1].audio", 10),
    ]


@pytest.mark.parametrize(
    ("old", "new", "where", "near"),
    [
        ("  artist: H", "  arist: x\n  artist: H", "release.arist", "`artist`"),
        ("audio: b.wav", "audio: b.wav\n    equalizer: []", "tracks[1].equalizer", "`equaliser`"),
        ("audio: b.wav", "audio: b.wav\n    fadeout: 2", "tracks[1].fadeout", "`fade_out`"),
        ("audio: b.wav", "audio: b.wav\n    ISRC: x", "tracks[1].ISRC", "`isrc`"),
        ("audio: b.wav", "audio: {lft: b.wav}", "tracks[1].audio.lft", "`left`"),
        ("tracks:", "levels: {target: -14}\ntracks:", "levels", "`level`"),
        ("tracks:", "level: {targt: -14}\ntracks:", "level.targt", "`target`"),
        ("tracks:", "disc: {level: {celing: -1}}\ntracks:", "disc.level.celing", "`ceiling`"),
        ("tracks:", "download: {format: []}\ntracks:", "download.format", "`formats`"),
        ("tracks:", "text: {note: x}\ntracks:", "text.note", "`notes`"),
        (
            "tracks:",
            "credits: [{name: x, role: y}]\ntracks:",
            "credits[0].role",
            "`roles`",
        ),
        (
            "audio: b.wav",
            "audio: b.wav\n    equaliser: [{shap: bell}]",
            "tracks[1].equaliser[0].shap",
            "`shape`",
        ),
    ],
)
def test_unknown_key_with_the_nearest_known(
    refused: Refusing, old: str, new: str, where: str, near: str
) -> None:
    text = GOOD.replace(old, new)
    (finding,) = (f for f in refused(text) if f.code == "unknown-key")
    assert finding.where == where
    assert near in finding.message
    assert where.rpartition(".")[2] in text.splitlines()[finding.line - 1]


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("performers", "in the section `credits`: - {name: …, roles: […], tracks: [2]}"),
        ("producer", "in the section `credits`"),
        ("gain", "did you mean `trim`?"),
        ("eq", "did you mean `equaliser`?"),
        ("catalogue_number", "it belongs in `release`"),
        ("text", "it is a section of its own"),
        ("explicit", "did you mean `advisory`?"),
        ("feat", "did you mean `featuring`?"),
        ("mood", "no deliverable includes it"),
        ("duration", "the keys here are advisory, arrangers, artist"),
        ("remaster", "the keys here are advisory, arrangers, artist"),
    ],
)
def test_another_word_for_a_key_of_a_track_gets_a_hint_that_is_right_or_none(
    refused: Refusing, key: str, hint: str
) -> None:
    """Similar letters alone would suggest composers, gap, lyricists, end, version, equaliser."""
    (finding,) = refused(GOOD.replace("audio: b.wav", f"audio: b.wav\n    {key}: x"))
    assert (finding.code, finding.where) == ("unknown-key", f"tracks[1].{key}")
    assert hint in finding.message


@pytest.mark.parametrize(
    ("key", "hint"),
    [
        ("year", "did you mean `release_date`?"),
        ("upc", "did you mean `barcode`?"),
        ("tracks", "it is a section of its own"),
        ("gap", "it belongs in `disc` or `tracks`"),
    ],
)
def test_another_word_for_a_key_of_the_release(refused: Refusing, key: str, hint: str) -> None:
    (finding,) = refused(GOOD.replace("release:\n", f"release:\n  {key}: x\n", 1))
    assert hint in finding.message


TRANSFER = "transfers: {side: {file: a.wav, mend: off}}\n"
RESTORED = "transfers: {{side: {{file: a.wav, restoration: {{{}}}}}}}\n"


@pytest.mark.parametrize(
    ("text", "new"),
    [
        (GOOD.replace("release:\n", "release:\n  phonogram: 2027 x\n", 1), "p_line"),
        (GOOD.replace("release:\n", "release:\n  copyright: 2027 x\n", 1), "c_line"),
        (GOOD + "disc: {before_first: a.wav}\n", "pregap_audio"),
        (GOOD + "disc: {made_on: 2027-02-11}\n", "master_date"),
        (GOOD + "download: {formats: [mp3-v0]}\n", "mp3-vbr"),
        (GOOD + TRANSFER, "restoration"),
        (GOOD + RESTORED.format("swap: yes"), "swap_channels"),
        (GOOD + RESTORED.format("invert: left"), "invert_polarity"),
        (GOOD + RESTORED.format("hum: {mains: 50, partials: 3}"), "harmonics"),
        (GOOD + RESTORED.format("noise: {from: 0, to: 2, reduce: 8}"), "reduction"),
    ],
)
def test_a_key_of_an_older_manifest_is_named_by_its_new_name(
    refused: Refusing, text: str, new: str
) -> None:
    (finding,) = refused(text)
    assert finding.code in ("unknown-key", "bad-choice")
    assert f"is now `{new}`" in finding.message


def test_an_unknown_key_unlike_all_others_lists_the_known_ones(refused: Refusing) -> None:
    (finding,) = refused(GOOD + "zzz: 1\n")
    assert (finding.code, finding.line) == ("unknown-key", 9)
    assert all(key in finding.message for key in ("release", "level", "disc", "download", "tracks"))


def test_merge_keys_are_refused(refused: Refusing) -> None:
    text = GOOD.replace("  - title: Tide", "  - <<: {trim: 1}\n    title: Tide")
    (finding,) = refused(text)
    assert (finding.where, finding.line) == ("tracks[1].<<", 7)


@pytest.mark.parametrize("key", ["[a, b]", "{a: b}"])
def test_keys_that_are_not_words(refused: Refusing, key: str) -> None:
    (finding,) = refused(GOOD + f"? {key}\n: x\n")
    assert (finding.code, finding.line) == ("bad-key", 9)


def test_a_key_of_two_lines_is_reported_on_one(refused: Refusing) -> None:
    (finding,) = refused(GOOD + '"a\\nb": x\n')
    assert finding.code == "unknown-key"


def test_a_very_long_key_is_shortened(refused: Refusing) -> None:
    (finding,) = refused(GOOD + f"? {'k' * 5000}\n: x\n")
    assert finding.code == "unknown-key"


def test_a_key_with_a_lone_surrogate_is_reported(refused: Refusing) -> None:
    """A surrogate can't be written in UTF-8; YAML's escapes can name one."""
    findings = refused(GOOD + '"\\ud800": x\n')
    assert [finding.line for finding in findings] == [9]


def test_aliases_are_allowed(loaded: Loading) -> None:
    text = GOOD.replace("audio: a.wav", "audio: &tape a.wav").replace(
        "audio: b.wav", "audio: *tape"
    )
    tracks = loaded(text).manifest.tracks
    assert tracks[0].audio == tracks[1].audio


def test_alias_of_a_mapping_is_allowed(loaded: Loading) -> None:
    text = GOOD + "disc: {level: &loud {target: -11}}\ndownload: {level: *loud}\n"
    manifest = loaded(text).manifest
    assert manifest.level_of("disc").target == manifest.level_of("download").target == -11


def test_undefined_alias(refused: Refusing) -> None:
    (finding,) = refused(GOOD.replace("audio: b.wav", "audio: *tape"))
    assert finding.line == 8
    assert "tape" in finding.message


def refused_once(refused: Refusing, text: str | bytes, code: str) -> None:
    """Check that a text is refused with one finding, without endless work."""
    (finding,) = refused(text)
    assert finding.code == code


@pytest.mark.parametrize("kind", ["list", "mapping"])
def test_alias_bomb_is_refused_refused_once(refused: Refusing, kind: str) -> None:
    """The "billion laughs" of YAML: nine aliases in each of nine levels."""
    lines = ["a0: &a0 [lol, lol, lol]"]
    for level in range(1, 10):
        names = [f"*a{level - 1}"] * 9
        content = (
            f"[{', '.join(names)}]"
            if kind == "list"
            else f"{{{', '.join(f'k{n}: {name}' for n, name in enumerate(names))}}}"
        )
        lines.append(f"a{level}: &a{level} {content}")
    refused_once(refused, "\n".join(lines) + "\n" + GOOD, "too-many-aliases")


@pytest.mark.parametrize("loop", ["a: &a [*a]", "a: &a {b: *a}", "a: &a [[[*a]]]"])
def test_alias_loop_is_refused(refused: Refusing, loop: str) -> None:
    refused_once(refused, f"{GOOD}{loop}\n", "alias-loop")


@pytest.mark.parametrize(
    "text",
    [
        "a: " + "[" * 45 + "]" * 45,
        "a: " + "[" * 3000,
        "a: " + "{b: " * 3000,
        "- " * 3000,
        "? " * 3000,
    ],
)
def test_deep_nesting_is_refused_refused_once(refused: Refusing, text: str) -> None:
    refused_once(refused, text, "too-deep")


@pytest.mark.parametrize(
    "tag",
    [
        "!!python/object/apply:os.system [id]",
        "!!python/name:os.system",
        "!!python/object:os.PathLike {}",
        "!!int 5",
        "!!binary aGk=",
        "!local x",
        "!!set {a, b}",
    ],
)
def test_tags_are_refused(refused: Refusing, tag: str) -> None:
    (finding,) = refused(GOOD.replace("audio: b.wav", f"audio: b.wav\n    comment: {tag}"))
    assert (finding.code, finding.where, finding.line) == ("yaml-tag", "tracks[1].comment", 9)


def test_tab_as_an_indent(refused: Refusing) -> None:
    (finding,) = refused(GOOD.replace("    audio: b.wav", "\taudio: b.wav"))
    assert (finding.code, finding.line) == ("tab-in-yaml", 8)
    assert "spaces" in finding.message


def test_two_documents(refused: Refusing) -> None:
    (finding,) = refused(f"{GOOD}---\n{GOOD}")
    assert (finding.code, finding.line) == ("bad-yaml", 9)
    assert "second document" in finding.message


def test_one_document_with_its_marks_is_good(loaded: Loading) -> None:
    assert len(loaded(f"---\n{GOOD}...\n").manifest.tracks) == 2


@pytest.mark.parametrize(
    ("old", "new", "line"),
    [
        ("title: Low Lantern", 'title: "Low Lantern', 5),
        ("title: Low Lantern", "title: Low: Lantern", 5),
        ("title: Low Lantern", "title: [Low", 5),
        ("title: Low Lantern", "title: @home", 5),
        ("title: Low Lantern", "title: `home`", 5),
        ("title: Low Lantern", "title: %home", 5),
        ("title: Low Lantern", 'title: "Low" Lantern', 5),
        ("title: Low Lantern", 'title: "Low \\q Lantern"', 5),
        ("    audio: b.wav", "   audio: b.wav", 8),
        ("  title: Songs", " title: Songs", 3),
    ],
)
def test_typing_errors_are_reported_near_their_line(
    refused: Refusing, old: str, new: str, line: int
) -> None:
    (finding,) = refused(GOOD.replace(old, new))
    assert finding.code == "bad-yaml"
    last = len(GOOD.splitlines()) + 1
    assert line <= finding.line <= (last if '"Low Lantern' in new or "[Low" in new else line + 1)


@pytest.mark.parametrize("control", ["\0", "\x07", "\x1b", "\x7f", "\ufffe"])
def test_a_control_character_is_reported_with_its_line(refused: Refusing, control: str) -> None:
    (finding,) = refused(GOOD.replace("Low Lantern", f"Low {control}Lantern"))
    assert finding.line == 5


@pytest.mark.parametrize("escape", ["\\UFFFFFFFF", "\\U00110000", "\\uD83D"])
def test_escape_beyond_unicode(refused: Refusing, escape: str) -> None:
    (finding,) = refused(GOOD.replace("Low Lantern", f'"Low {escape}"'))
    assert finding.line == 5


def test_a_character_that_json_writes_as_two_surrogates(loaded: Loading) -> None:
    manifest = loaded(GOOD.replace("Low Lantern", '"Low \\uD83D\\uDE00"')).manifest
    assert manifest.tracks[0].title == "Low \U0001f600"


@pytest.mark.parametrize("line", ["%YAML 1." + "9" * 5000, "%YAML 3.0", "%YAML one", "%TAG ! !"])
def test_directives_are_refused_or_ignored(loaded: Loading, line: str) -> None:
    try:
        assert loaded(f"{line}\n---\n{GOOD}").manifest.tracks
    except FindingsError as error:
        assert [finding.code for finding in error.findings] == ["bad-yaml"]


def test_latin_1(refused: Refusing) -> None:
    (finding,) = refused(GOOD.replace("Low Lantern", "Sørlys").encode("latin-1"))
    assert (finding.code, finding.line) == ("not-utf-8", 5)
    assert "UTF-8" in finding.message


@pytest.mark.parametrize("coding", ["utf-16", "utf-16-le", "utf-16-be", "utf-32"])
def test_utf_16_and_32(refused: Refusing, coding: str) -> None:
    (finding,) = refused(GOOD.encode(coding))
    assert "UTF-8" in finding.message


def test_byte_order_mark_is_accepted(loaded: Loading) -> None:
    assert loaded(GOOD.encode("utf-8-sig")).manifest.release.artist == "Halden Ferry Singers"


def test_windows_line_ends_are_accepted(loaded: Loading, refused: Refusing) -> None:
    assert len(loaded(GOOD.replace("\n", "\r\n")).manifest.tracks) == 2
    (finding,) = refused(GOOD.replace("audio: b.wav", "audio:").replace("\n", "\r\n"))
    assert (finding.where, finding.line) == ("tracks[1].audio", 8)


def test_ten_megabytes_are_refused_refused_once(refused: Refusing) -> None:
    refused_once(refused, GOOD + "# tide\n" * 1_500_000, "manifest-too-long")


def test_recording_named_as_manifest(refused: Refusing) -> None:
    refused_once(refused, b"RIFF\xff\xff\xff\xffWAVEfmt " + bytes(range(256)) * 40, "not-utf-8")


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("", "empty-manifest"),
        ("\n\n", "empty-manifest"),
        ("# nothing yet\n", "empty-manifest"),
        ("---\n", "wrong-kind"),
        ("Songs for Slack Water\n", "wrong-kind"),
        ("- a\n- b\n", "wrong-kind"),
        ("{}", "missing-key"),
        ("release:\ntracks:\n", "missing-key"),
        ("release: {artist: a, title: b}\ntracks: []\n", "missing-key"),
        ("release: [a]\ntracks: x\n", "wrong-kind"),
        ("release: {artist: a, title: b}\ntracks: [1, 2]\n", "wrong-kind"),
        ("release: {artist: a, title: b}\ntracks:\n  -\n", "wrong-kind"),
    ],
)
def test_files_without_the_required_keys(refused: Refusing, text: str, code: str) -> None:
    assert {finding.code for finding in refused(text)} == {code}


def test_missing_file(tmp_path: Path) -> None:
    with pytest.raises(FindingsError) as error:
        load(tmp_path / "gone.yaml")
    (finding,) = error.value.findings
    assert finding.code == "unreadable-manifest"
    assert finding.file == str(tmp_path / "gone.yaml")
    assert "no such file" in finding.message


def test_folder_in_place_of_a_file(tmp_path: Path) -> None:
    with pytest.raises(FindingsError) as error:
        load(tmp_path)
    (finding,) = error.value.findings
    assert "folder" in finding.message


def test_name_too_long_for_a_file(tmp_path: Path) -> None:
    with pytest.raises(FindingsError, match="file name too long: check the path"):
        load(tmp_path / f"{'long ' * 80}.yaml")
