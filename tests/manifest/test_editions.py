"""Manifests of some of their tracks: who opens a disc, and what names tracks by number."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

from assembler.manifest import Manifest, load_text
from assembler.manifest.editions import edition_tracks, listed_tracks, with_tracks

TEXT = """\
release: {artist: Halden Ferry Singers, title: Songs for Slack Water}
download: [{name: shop, formats: flac-16}, {name: hi-res}, {name: later, formats: []}]
tracks:
  - {title: One, audio: a.wav, on: hi-res, gap: 3}
  - {title: Two, audio: a.wav, overlap: 1}
  - {title: Three, audio: a.wav, on: [disc, shop], disc: 2, gap: 4}
  - {title: Four, audio: a.wav, gap: 0, on: download}
  - {title: Five, audio: a.wav, version_of: 3, version: Edit}
credits:
  - {name: Oda Brenn, roles: voice, tracks: [1, 3, 5]}
  - {name: Mattis Oren, roles: harmonium, tracks: 1}
  - {name: Ines Falk, roles: mastering}
sleeve: {package: 12_inch, sides: [3, 5]}
"""


def manifest() -> Manifest:
    return load_text(TEXT, Path("songs.yaml")).manifest


def test_download_names_every_set() -> None:
    assert edition_tracks(manifest()) == {
        "disc": (1, 2, 4), "shop": (1, 2, 3, 4), "hi-res": (0, 1, 3, 4),
    }  # fmt: skip
    assert listed_tracks(manifest()) == (1, 2, 4, 3, 0)


def test_all_tracks_are_the_manifest_itself() -> None:
    whole = manifest()
    assert with_tracks(whole, range(5)) is whole


def test_the_next_track_opens_the_disc_with_the_gap_of_the_first() -> None:
    disc = with_tracks(manifest(), (1, 2, 4))
    assert [(one.disc, one.gap, one.overlap) for one in disc.tracks] == [
        (None, Fraction(3), None), (2, Fraction(4), None), (None, None, None),
    ]  # fmt: skip
    hi_res = with_tracks(manifest(), (0, 3, 4))
    assert [(one.disc, one.gap) for one in hi_res.tracks] == [
        (None, Fraction(3)), (2, Fraction(4)), (None, None),
    ]  # fmt: skip
    assert [one.disc for one in with_tracks(manifest(), (3, 4)).tracks] == [None, None]


def test_numbers_of_tracks_are_those_of_the_edition() -> None:
    disc = with_tracks(manifest(), (1, 2, 4))
    assert [(one.name, one.tracks) for one in disc.credits] == [
        ("Oda Brenn", (2, 3)), ("Ines Falk", ()),
    ]  # fmt: skip
    assert [one.version_of for one in disc.tracks] == [None, None, 2]
    assert disc.sleeve is not None and disc.sleeve.sides == (2, 3)
    assert [one.version_of for one in with_tracks(manifest(), (3, 4)).tracks] == [None, None]
