"""Covers in other colours, rotated, too small or too large; read back by Pillow and ffprobe.

What shops need is common practice (from memory).
"""

from __future__ import annotations

import io
import random

import numpy as np
import pytest
from download.album import MANIFEST, picture
from PIL import Image, ImageCms

from assembler.download.cover import (
    EMBEDDED_BYTES,
    cover_findings,
    picture_findings,
    read_cover,
)
from assembler.errors import AssemblerError


@pytest.fixture
def look(album_of, tmp_path):
    """Return the findings on a front cover of these bytes, by their codes."""

    def at(content: bytes) -> dict[str, object]:
        (tmp_path / "front.png").write_bytes(content)
        album = album_of(MANIFEST.replace("  language:", "  front_cover: front.png\n  language:"))
        found = list(cover_findings(album.source))
        assert all(f.where == "release.front_cover" and f.line > 1 for f in found)
        return {f.code: f for f in found}

    return at


@pytest.fixture
def read(tmp_path):
    """Return the cover made of these bytes, and its two pictures opened."""

    def of(content: bytes):
        path = tmp_path / "front.png"
        path.write_bytes(content)
        cover = read_cover(path)
        opened = [Image.open(io.BytesIO(data)) for data in (cover.full, cover.embedded)]
        assert all((p.format, p.mode) == ("JPEG", "RGB") for p in opened)
        return cover, *opened

    return of


def plain(size: int = 3000, mode: str = "RGB", colour: object = 0, kind="PNG", **how) -> bytes:
    buffer = io.BytesIO()
    Image.new(mode, (size, size), colour).save(buffer, kind, **how)
    return buffer.getvalue()


def test_a_cover_as_shops_need_it_has_no_finding(look):
    assert look(plain(kind="JPEG")) == {}


@pytest.mark.parametrize(
    ("how", "code", "severity", "text"),
    [
        ({"mode": "CMYK", "kind": "JPEG"}, "cover-in-cmyk", "warning", "CMYK"),
        ({"mode": "L"}, "cover-in-grey", "note", "grey"),
        ({"mode": "I;16", "colour": 40000}, "cover-in-grey", "note", "grey"),
        ({"mode": "P"}, "cover-in-palette", "note", "palette"),
        ({"mode": "RGBA", "colour": (1, 2, 3, 9)}, "cover-transparent", "warning", "white"),
        ({"size": 2999}, "small-cover", "note", "2999"),
    ],
    ids=["cmyk", "grey", "grey of 16 bits", "palette", "transparent", "small"],
)
def test_one_finding_for_what_shops_refuse(look, how, code, severity, text):
    found = look(plain(**how))
    assert list(found) == [code]
    assert found[code].severity == severity
    assert text in found[code].message


def test_a_small_cover_that_is_not_square_has_both_findings(look):
    assert set(look(picture(300, 200))) == {"cover-not-square", "small-cover"}


@pytest.mark.thorough
def test_a_cover_of_more_than_10_mb(look):
    found = look(picture(3000, kind="PNG"))
    assert list(found) == ["heavy-cover"]
    assert "27" in found["heavy-cover"].message


@pytest.mark.thorough
def test_a_picture_of_20_000_pixels_is_refused(look, monkeypatch):
    monkeypatch.setattr(Image, "MAX_IMAGE_PIXELS", None)
    found = look(plain(20_000, mode="1"))
    assert [(f.code, f.severity) for f in found.values()] == [("cover-too-large", "error")]


def test_other_files_than_pictures_are_refused(look):
    found = look(b"RIFF, but no picture")
    assert [(f.code, f.severity) for f in found.values()] == [("unreadable-cover", "error")]


def test_the_back_cover_has_findings_of_its_own(album, tmp_path):
    (tmp_path / "back.png").write_bytes(picture(300, 200))
    found = list(picture_findings(album.source, "back.png", ("release", "back_cover")))
    assert {f.where for f in found} == {"release.back_cover"}
    assert "cover-not-square" in {f.code for f in found}


def test_a_plain_jpeg_is_used_unchanged(read):
    content = picture(1200)
    cover, full, embedded = read(content)
    assert cover.full == content
    assert full.size == (1200, 1200)
    assert embedded.size == (1000, 1000) == (cover.width, cover.height)
    assert len(cover.embedded) <= EMBEDDED_BYTES


def test_a_rotated_cover_is_saved_upright(look, read):
    """EXIF orientation 6: the top of the picture is at the right."""
    exif = Image.Exif()
    exif[0x0112] = 6
    lying = Image.new("RGB", (400, 300), "white")
    lying.paste("red", (0, 0, 100, 300))
    buffer = io.BytesIO()
    lying.save(buffer, "JPEG", quality=95, exif=exif)
    assert "cover-turned" in look(buffer.getvalue())
    _, full, embedded = read(buffer.getvalue())
    for made in (full, embedded):
        assert made.size == (300, 400)
        assert made.getexif().get(0x0112, 1) == 1
        assert made.getpixel((150, 20))[1] < 60  # red above
        assert made.getpixel((150, 380))[1] > 200


@pytest.mark.parametrize(
    ("how", "expected"),
    [
        ({"size": 200, "mode": "RGBA", "colour": (0, 0, 255, 0)}, (255, 255, 255)),
        ({"size": 200, "mode": "I;16", "colour": 32768}, (128, 128, 128)),
        ({"size": 200, "mode": "L", "colour": 77}, (77, 77, 77)),
        ({"size": 200, "mode": "CMYK", "colour": (0, 255, 255, 0), "kind": "JPEG"}, (255, 0, 0)),
    ],
    ids=["transparent on white", "16 bits", "grey", "cmyk"],
)
def test_other_colours_become_rgb(read, how, expected):
    _, full, embedded = read(plain(**how))
    for made in (full, embedded):
        np.testing.assert_allclose(made.getpixel((100, 100)), expected, atol=3)


def test_colours_of_another_profile_are_converted_to_srgb(read):
    """A profile with red and green exchanged: sRGB's, two tags (ICC.1) renamed."""
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    swapped = profile.replace(b"rXYZ", b"....", 1).replace(b"gXYZ", b"rXYZ", 1)
    swapped = swapped.replace(b"....", b"gXYZ", 1)
    assert swapped != profile
    for own, expected in ((profile, (200, 40, 40)), (swapped, (40, 200, 40))):
        _, full, embedded = read(plain(200, colour=(200, 40, 40), icc_profile=own))
        for made in (full, embedded):
            np.testing.assert_allclose(made.getpixel((100, 100)), expected, atol=4)
            assert "icc_profile" not in made.info


def test_a_jpeg_in_srgb_stays_and_one_in_other_colours_does_not(read):
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    content = plain(200, colour=(200, 40, 40), kind="JPEG", icc_profile=profile)
    assert read(content)[0].full == content
    name = "sRGB".encode("utf-16-be")
    other = profile.replace(name, "wide".encode("utf-16-be")).replace(b"sRGB", b"wide")
    content = plain(200, colour=(200, 40, 40), kind="JPEG", icc_profile=other)
    assert read(content)[0].full != content


def test_a_damaged_profile_is_ignored(read):
    _, full, _ = read(plain(200, colour=(9, 200, 9), icc_profile=b"no profile" * 20))
    np.testing.assert_allclose(full.getpixel((100, 100)), (9, 200, 9), atol=4)


@pytest.mark.thorough
def test_damaged_exif_and_profiles_are_findings(look, tmp_path):
    chance = random.Random(4)
    exif = Image.Exif()
    exif[0x0112] = 8
    profile = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    buffer = io.BytesIO()
    Image.new("RGB", (64, 64)).save(buffer, "JPEG", exif=exif, icc_profile=profile)
    outcomes = {"read": 0, "refused": 0}
    for _ in range(250):
        content = bytearray(buffer.getvalue())
        for _ in range(chance.randrange(1, 6)):
            content[chance.choice((chance.randrange(2, 120), chance.randrange(2, 700)))] = (
                chance.randrange(256)
            )
        if "unreadable-cover" in look(bytes(content)):
            outcomes["refused"] += 1
            continue
        try:
            read_cover(tmp_path / "front.png")
            outcomes["read"] += 1
        except AssemblerError:
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 0
