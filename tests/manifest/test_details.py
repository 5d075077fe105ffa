"""What shops and societies ask for: ISWC and IPI check digits, ISO 639, ISO 3166-1, shares.

ISWC: ISO 15707 and its own example T-034.524.680-1. IPI: CISAC's name number; the check number
as in the open-source package django-music-publisher 26.9. Other codes here are invented.
"""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from manifest.kinds import Loading, Refusing

from assembler.manifest.codes import parse_ipi, parse_iswc
from assembler.manifest.details import Publisher, TrackDetails, WriterIpi
from assembler.manifest.iso_codes import parse_country, parse_language, three_letters
from assembler.manifest.model import Release, Track

HEAD = "release: {artist: Halden Ferry Singers, title: Songs%s}\ntracks:\n"
ONE = HEAD + "  - {title: Low Lantern, audio: a.wav%s}\n"


@pytest.mark.parametrize(
    "text",
    ["T-034.524.680-1", "T0345246801", "t-034524680-1", "ISWC T-034.524.680-1", "T–034 524 680–1"],
)
def test_the_standards_example_of_an_iswc_is_read_in_every_usual_form(text: str) -> None:
    assert parse_iswc(text) == "T-034.524.680-1"


@pytest.mark.parametrize("text", ["", "T", "T-034.524.680", "034.524.680-1", "T-034.524.68A-1"])
def test_what_is_not_an_iswc_is_refused_with_an_example(text: str) -> None:
    with pytest.raises(ValueError, match=r"T-034\.524\.680-1"):
        parse_iswc(text)


@given(st.integers(0, 8), st.integers(1, 9))
def test_one_wrong_digit_of_an_iswc_is_found_where_its_weight_allows(at: int, more: int) -> None:
    """Weights 2, 4, 5, 6 and 8 share a factor with 10: a wrong digit may have the same sum."""
    digits = [int(digit) for digit in "034524680"]
    digits[at] = (digits[at] + more) % 10
    changed = f"T{''.join(map(str, digits))}1"
    if (at + 1) * more % 10 == 0:
        assert parse_iswc(changed).endswith("-1")
    else:
        with pytest.raises(ValueError, match="its other digits require"):
            parse_iswc(changed)


@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("99999999919", "99999999919"),  # 9 × 54 = 486 = 4 × 101 + 82; 101 − 82 = 19
        ("999.999.999-19", "99999999919"),
        ("IPI 00000000199", "00000000199"),  # 2 × 1 = 2; 101 − 2 = 99
        ("000000199", "00000000199"),
        ("91000000100", "91000000100"),  # 90 + 9 + 2 = 101, rest 0
        ("91000001000", "91000001000"),  # 90 + 9 + 3 = 102, rest 1: 100 is written 00
    ],
)
def test_ipi_name_numbers(text: str, code: str) -> None:
    assert parse_ipi(text) == code


@pytest.mark.parametrize("text", ["99999999918", "99999991999", "9999999", "1234567890123", "I-1"])
def test_a_wrong_ipi_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match="IPI"):
        parse_ipi(text)


@pytest.mark.parametrize(
    ("text", "language", "id3"),
    [
        ("en", "en", "eng"), ("pt-BR", "pt-BR", "por"), ("zxx", "zxx", "zxx"),
        ("mul", "mul", "mul"), ("nob", "nob", "nob"), ("ger", "ger", "deu"),
        ("gmh", "gmh", "gmh"), ("EN", "EN", "eng"),
        ("English", "en", "eng"), ("Norwegian", "no", "nor"), ("smi", "smi", "smi"),
        ("Northern Sami", "se", "sme"),
    ],
)  # fmt: skip
def test_languages_of_iso_639(text: str, language: str, id3: str) -> None:
    assert parse_language(text) == language
    assert three_letters(language) == id3


@pytest.mark.parametrize(
    "text", ["xx", "qqq", "Ancient Elvish", "en) /Evil (x", "en-)", "", "none", "-"]
)
def test_other_languages_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match="ISO 639"):
        parse_language(text)


def test_countries_of_iso_3166_1() -> None:
    assert [parse_country(text) for text in ("NO", "no", "Norway", "GB")] == [
        "NO",
        "NO",
        "NO",
        "GB",
    ]
    for text in ("XX", "EU", "UK", "Atlantis", ""):
        with pytest.raises(ValueError, match="ISO 3166-1"):
            parse_country(text)


def test_every_detail_is_typed(loaded: Loading) -> None:
    """`no` and `NO` are texts, as everywhere in a manifest."""
    release = (
        ", sort_name: Ferry, subgenre: Sea songs, advisory: none, compilation: yes, "
        "original_release_date: 1994-05, territories: [NO, sweden], language: Norwegian"
    )
    track = (
        ", featuring: Jorun Hald, remixers: [A, B], conductor: C, orchestra: D, soloists: [E], "
        "language: no, lyrics_language: nb, instrumental: false, advisory: clean, genre: Folk, "
        "work: W, movement: M, movement_number: 2, iswc: T0345246801, publishers: [{name: P, "
        "share: 33.3}, {name: Q, share: 66.7, ipi: 99999999919}], p_line: 1994 P, "
        "writers_ipi: [{name: R, ipi: 999.999.998-21}], "
        "recording_country: NO, original_release_date: 1994"
    )
    manifest = loaded(ONE % (release, track)).manifest
    assert (manifest.release.compilation, manifest.release.advisory) == (True, "none")
    assert (manifest.release.territories, manifest.release.language) == (("NO", "SE"), "no")
    first = manifest.tracks[0]
    assert set(TrackDetails.model_fields) <= first.model_fields_set
    assert (first.conductor, first.remixers, first.language) == (("C",), ("A", "B"), "no")
    assert (first.iswc, first.movement_number, first.recording_country) == (
        "T-034.524.680-1", 2, "NO",
    )  # fmt: skip
    assert first.writers_ipi == (WriterIpi(name="R", ipi="99999999821"),)
    assert first.publishers[1] == Publisher(name="Q", share=66.7, ipi="99999999919")
    assert first.full_title == "Low Lantern (feat. Jorun Hald)"


def test_a_publisher_may_be_a_name_alone() -> None:
    track = Track.model_validate({"title": "T", "audio": "a", "publishers": ["P", "Q"]})
    assert track.publishers == (Publisher(name="P"), Publisher(name="Q"))


@pytest.mark.parametrize("text", ["world", ["world"]])
def test_the_world_is_no_list_of_countries(text: object) -> None:
    release = {"artist": "A", "title": "T", "territories": text}
    assert Release.model_validate(release).territories == ()


@pytest.mark.parametrize(
    ("key", "value", "code", "said"),
    [
        ("iswc", "T-034.524.680-2", "bad-iswc", "its other digits require 1"),
        ("language", "qq", "bad-language", "ISO 639"),
        ("advisory", "dirty", "bad-choice", "`explicit`, `clean` or `none`"),
        ("recording_country", "UK", "bad-country", "ISO 3166-1"),
        ("movement_number", "0", "bad-number", "from 1 to 999"),
        (
            "publishers",
            "[{name: P, share: 50}, {name: Q, share: 49}]",
            "bad-shares",
            "sum to 99.00",
        ),
        ("publishers", "[{name: P, share: 100}, {name: Q}]", "bad-shares", "the share of each"),
        ("publishers", "[{name: P, share: 100, ipi: 99999999918}]", "bad-ipi", "require 19"),
        ("publishers", "[{share: 100}]", "missing-key", "`name`"),
    ],
)
def test_a_wrong_detail_is_one_finding_at_its_place(
    refused: Refusing, key: str, value: str, code: str, said: str
) -> None:
    (finding,) = refused(ONE % ("", f",\n      {key}: {value}"))
    assert (finding.code, finding.line) == (code, 4)
    assert finding.where.startswith(f"tracks[0].{key}")
    assert said in finding.message


def test_rounded_shares_are_accepted(loaded: Loading) -> None:
    thirds = ", ".join(f"{{name: P{n}, share: 33.33}}" for n in range(3))
    assert len(loaded(ONE % ("", f", publishers: [{thirds}]")).manifest.tracks[0].publishers) == 3


@pytest.mark.parametrize(
    ("own", "full"),
    [
        ({}, "Song"),
        ({"version": "live"}, "Song (live)"),
        ({"featuring": ["A"]}, "Song (feat. A)"),
        ({"featuring": ["A", "B"], "version": "live"}, "Song (feat. A & B) [live]"),
        ({"featuring": ["A", "B", "C"]}, "Song (feat. A, B & C)"),
    ],
)
def test_the_full_title_has_featured_artists_and_the_version(own: dict, full: str) -> None:
    """Apple's music style guide: round brackets first, then square ones; lower-case feat."""
    assert Track.model_validate({"title": "Song", "audio": "a", **own}).full_title == full
