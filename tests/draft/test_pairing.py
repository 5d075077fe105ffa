"""Songs of a list and recordings of a folder: each pair names how it was matched, a guess is
called one in the manifest and on the desk. The truth is known, since the test names the files."""

from __future__ import annotations

import random
from pathlib import Path
from typing import Any

import mutagen.flac
import pytest
from desk import Desk, hum
from rapidfuzz.distance import Levenshtein

TITLES = [
    "Low Lantern", "Tide Table", "Tide Table (reprise)", "7 Fathoms", "Bell Buoy", "Undertow",
    "Reel for a Wet Floor", "The Tollkeeper’s Scales", "Sørlys", "Heron at the Sluice", "1999",
    "No",
]  # fmt: skip


def drafted(desk: Desk, text: str, *names: str) -> list[dict[str, Any]]:
    """Draft a manifest for files of these names and return the pairs."""
    folder = desk.folder / "takes"
    folder.mkdir()
    for name in names:
        (folder / name).write_bytes((desk.folder / "a.wav").read_bytes())
    return pairs_of(desk, folder, text)


def pairs_of(desk: Desk, folder: Path, text: str) -> list[dict[str, Any]]:
    listed = desk.folder / "songs.txt"
    listed.write_text(text, encoding="utf-8")
    code, document = desk.json("draft", folder, "--titles", listed)
    assert code == 0
    found: list[dict[str, Any]] = document["pairs"]
    for pair in found:
        pair["file"] = Path(pair["files"][0]).name if pair["files"] else None
    return found


def by_how(pairs: list[dict[str, Any]]) -> dict[str, tuple[str | None, str | None, bool]]:
    return {pair["title"]: (pair["file"], pair["matched_by"], pair["guess"]) for pair in pairs}


@pytest.mark.parametrize(
    "layout",
    ["{t}.wav", "HFS - {t} (mix 3).wav", "2026-03-01 {t} 24bit master.wav", "{t}_v2.wav"],
)
def test_names_that_contain_the_titles_are_matched_whatever_their_order(
    desk: Desk, layout: str
) -> None:
    names = {title: layout.format(t=title.replace(" ", "_").lower()) for title in TITLES}
    listed = random.Random(3).sample(TITLES, len(TITLES))
    pairs = drafted(desk, "\n".join(listed), *names.values())
    assert [pair["title"] for pair in pairs] == listed
    assert by_how(pairs) == {title: (names[title], "name", False) for title in listed}


def test_names_with_typing_errors_are_matched(desk: Desk) -> None:
    names = {"Heron at the Sluice": "heron at teh sluise.wav", "Bell Buoy": "BelBuoy.wav",
             "Low Lantern": "lowlantren.wav"}  # fmt: skip
    assert Levenshtein.distance("heron at the sluice", "heron at teh sluise") == 3
    pairs = drafted(desk, "\n".join(names), *names.values())
    assert by_how(pairs) == {title: (name, "name", False) for title, name in names.items()}


def test_a_name_that_fits_two_titles_is_a_guess(desk: Desk) -> None:
    pairs = drafted(desk, "Bell Buoy I\nBell Buoy III\n", "bell buoy II.wav", "zz.wav")
    assert [pair["guess"] for pair in pairs] == [True, True]


def test_leading_numbers_are_matched_where_names_do_not_help(desk: Desk) -> None:
    pairs = drafted(desk, "1. Low Lantern\n2. Undertow\n3. Bell Buoy\n",
                    "03.wav", "01 Audio.wav", "02 track.wav")  # fmt: skip
    assert by_how(pairs) == {
        "Low Lantern": ("01 Audio.wav", "number", False),
        "Undertow": ("02 track.wav", "number", False),
        "Bell Buoy": ("03.wav", "number", False),
    }


def test_a_number_with_another_name_is_a_guess(desk: Desk) -> None:
    pairs = drafted(desk, "1. Low Lantern\n2. Undertow\n", "01 Sea Shanty.wav", "02 undertow.wav")
    assert by_how(pairs) == {
        "Low Lantern": ("01 Sea Shanty.wav", "number", True),
        "Undertow": ("02 undertow.wav", "name", False),
    }
    assert pairs[0]["doubt"] == "the file has another name"


def test_numbers_in_another_order_do_not_decide(desk: Desk) -> None:
    """Numbers in the order of the tape do not match the list, as the names show."""
    pairs = drafted(desk, "1. Low Lantern\n2. Undertow\n3. Bell Buoy\n",
                    "01 Undertow.wav", "02.wav", "03 Low Lantern.wav")  # fmt: skip
    found = by_how(pairs)
    assert found["Low Lantern"] == ("03 Low Lantern.wav", "name", False)
    assert found["Undertow"] == ("01 Undertow.wav", "name", False)
    assert found["Bell Buoy"][2]


def test_durations_are_matched_where_nothing_else_is(desk: Desk) -> None:
    folder = desk.folder / "takes"
    folder.mkdir()
    lengths = {"4.wav": 31.2, "5.wav": 12.4, "6.wav": 65.0, "Mix.wav": 64.0, "sea.wav": 45.0}
    for name, length_s in lengths.items():
        desk.sound(f"takes/{name}", hum(length_s))
    pairs = pairs_of(
        desk,
        folder,
        "Low Lantern 0:12\nUndertow 0:31\nBell Buoy 1:04\nThe Rope 1:05\nEbb 0:45\n",
    )
    assert by_how(pairs) == {
        "Low Lantern": ("5.wav", "duration", False),
        "Undertow": ("4.wav", "duration", False),
        "Bell Buoy": ("Mix.wav", "duration", True),  # another is 1 s longer
        "The Rope": ("6.wav", "duration", False),
        "Ebb": ("sea.wav", "duration", True),  # its name is another's
    }


def test_a_duration_alone_is_a_guess_where_files_are_missing(desk: Desk) -> None:
    pairs = drafted(desk, "Undertow 0:50\nLow Lantern 0:05\n", "take.wav")
    assert by_how(pairs)["Low Lantern"] == ("take.wav", "duration", True)


def test_one_word_in_a_longer_name_is_a_guess(desk: Desk) -> None:
    pairs = drafted(desk, "Tide\nLow Lantern\n", "tide table long.wav", "low lantern.wav")
    assert by_how(pairs)["Tide"] == ("tide table long.wav", "name", True)
    assert by_how(pairs)["Low Lantern"] == ("low lantern.wav", "name", False)


def test_real_music_is_matched_by_its_names(desk: Desk) -> None:
    """A real folder, its titles in another order, in a mail."""
    folder = Path("/usr/share/games/singularity/music")
    names = sorted(path.name for path in folder.glob("*.ogg"))
    if not names:
        pytest.skip("no real music here: apt-get install singularity-music")
    titles = random.Random(5).sample([name.removesuffix(".ogg") for name in names], len(names))
    listed = "".join(f"{n}. {title}\n" for n, title in enumerate(titles, 1))
    text = desk.folder / "songs.txt"
    text.write_text(f"Hi,\nthe order is:\n\n{listed}\nBest\nInes\n", encoding="utf-8")
    out = desk.folder / "m.yaml"
    code, document = desk.json("draft", folder, "--titles", text, "--out", out)
    assert code == 0
    assert [pair["title"] for pair in document["pairs"]] == titles
    for pair in document["pairs"]:
        assert Path(pair["files"][0]).name == f"{pair['title']}.ogg"
        assert (pair["matched_by"], pair["guess"]) == ("name", False)


def test_a_name_with_another_duration_must_be_checked(desk: Desk) -> None:
    pairs = drafted(desk, "Low Lantern 4:12\nUndertow 0:05\n", "low lantern.wav", "undertow.wav")
    assert [pair["guess"] for pair in pairs] == [True, False]
    assert pairs[0]["doubt"] == "4:12 in the list, but the file lasts 0:05"


def test_isrcs_are_matched_first_and_come_from_the_list(desk: Desk) -> None:
    folder = desk.folder / "takes"
    folder.mkdir()
    for name, code in {"aa.flac": "AA6Q72700002", "bb.flac": "AA6Q72700001"}.items():
        file = mutagen.flac.FLAC(desk.sound(f"takes/{name}", hum()))
        file["isrc"] = code
        file.save()
    pairs = pairs_of(
        desk, folder, "1. Low Lantern – AA-6Q7-27-00001\n2. Undertow – AA-6Q7-27-00002\n"
    )
    assert by_how(pairs) == {
        "Low Lantern": ("bb.flac", "ISRC", False),
        "Undertow": ("aa.flac", "ISRC", False),
    }
    assert "isrc: AA6Q72700001" in (folder / "manifest.yaml").read_text(encoding="utf-8")


def test_a_guess_is_a_comment_in_the_manifest_and_a_warning(desk: Desk) -> None:
    folder = desk.folder / "takes"
    folder.mkdir()
    for name in ("one.wav", "two.wav", "zz low lantern.wav"):
        (folder / name).write_bytes((desk.folder / "a.wav").read_bytes())
    listed = desk.folder / "songs.txt"
    listed.write_text("Low Lantern\nUndertow\n7 Fathoms\nBell Buoy\n", encoding="utf-8")
    code, out, err = desk.run("draft", folder, "--titles", listed)
    assert code == 0
    text = (folder / "manifest.yaml").read_text(encoding="utf-8").split("tracks:\n")[1]
    reason = "no name, number or duration matches"
    guess = f"  # guessed by order: {reason}. Listen to it, then remove this line.\n"
    empty = "    isrc:\n    composers:\n"
    assert text == (
        f"  - title: Low Lantern\n    audio: zz low lantern.wav\n{empty}"
        f"{guess}  - title: Undertow\n    audio: one.wav\n{empty}"
        f'{guess}  - title: "7 Fathoms"\n    audio: two.wav\n{empty}'
        "  # no recording found for this song:\n  # - title: Bell Buoy\n"
    )
    assert err.splitlines() == [
        f"warning `Undertow` with one.wav: guessed by order, {reason}: listen to it",
        f"warning `7 Fathoms` with two.wav: guessed by order, {reason}: listen to it",
        f"{listed}: 4 songs for 3 recordings",
        f"{listed}:4: no recording for `Bell Buoy`",
    ]
    shown = [" ".join(line.split()) for line in out.splitlines()]
    assert "1 Low Lantern zz low lantern.wav name" in shown
    assert "2 Undertow one.wav order, a guess" in shown
    assert "4 Bell Buoy none –" in shown


def test_the_metadata_of_the_list_is_in_the_manifest(desk: Desk) -> None:
    drafted(
        desk,
        "CD 1\n1. Low Lantern (K. Moen)\nCD 2\n1. Undertow (trad., arr. I. Falk)\n",
        "low lantern.wav",
        "undertow.wav",
    )
    text = (desk.folder / "takes" / "manifest.yaml").read_text(encoding="utf-8")
    assert text.split("tracks:\n")[1] == (
        "  - title: Low Lantern\n    audio: low lantern.wav\n    isrc:\n"
        '    composers: ["K. Moen"]\n    disc: 1\n'
        "  - title: Undertow\n    audio: undertow.wav\n    isrc:\n"
        '    composers: ["trad."]\n    arrangers: ["I. Falk"]\n    disc: 2\n'
    )


def test_a_spreadsheets_artists_are_written_where_they_differ(desk: Desk) -> None:
    head, names = "Title;Artist;Version\n", ("low lantern.wav", "undertow.wav")
    drafted(desk, f"{head}Low Lantern;Ines Falk;live\nUndertow;Oda Brenn;\n", *names)
    text = (desk.folder / "takes" / "manifest.yaml").read_text(encoding="utf-8")
    assert "  - title: Low Lantern\n    version: live\n" in text
    assert text.count("    artist: Ines Falk\n") == text.count("    artist: Oda Brenn\n") == 1


def test_a_list_without_songs_is_refused(desk: Desk) -> None:
    folder = desk.folder / "takes"
    folder.mkdir()
    desk.sound("takes/one.wav", hum())
    listed = desk.folder / "songs.txt"
    listed.write_text("Hi,\nhere is the list:\n", encoding="utf-8")
    code, out, err = desk.run("draft", folder, "--titles", listed)
    assert (code, out) == (1, "")
    assert err == f"{listed}: no songs recognised: write one title per line\n"
    assert not (folder / "manifest.yaml").exists()
