"""Front covers that are no picture, or one that nobody wants: common practice, no source."""

from __future__ import annotations

import io
import os
import random
import struct
import subprocess
import sys
import warnings
import zlib
from pathlib import Path

import numpy as np
import pytest
from desk import MANIFEST, Desk
from PIL import Image

from assembler import AssemblerError, load
from assembler.download.cover import cover_findings, read_cover

WHERE = "release.front_cover"
TEXT = MANIFEST.replace("download:", "  front_cover: front.png\ndownload:")


def picture(width: int = 64, height: int = 64, kind: str = "PNG") -> bytes:
    """Return a noisy picture."""
    noise = np.random.default_rng(3).integers(0, 256, (height, width, 3), dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).save(buffer, kind)
    return buffer.getvalue()


def test_missing_cover(desk: Desk) -> None:
    desk.refused(TEXT, "missing-file", at="front.png", where=WHERE)


def test_folder_in_place_of_a_cover(desk: Desk) -> None:
    (desk.folder / "front.png").mkdir()
    desk.refused(TEXT, "missing-file", at="front.png", where=WHERE)


def test_cover_path_longer_than_a_name_can_be(desk: Desk) -> None:
    text = TEXT.replace("front.png", "f" * 300)
    desk.refused(text, "missing-file", at="fff", where=WHERE)


@pytest.mark.parametrize(
    "content",
    [
        b"",
        b"not a picture\n" * 9,
        picture(kind="GIF"),
        b"<svg xmlns='http://www.w3.org/2000/svg'/>",
    ],
    ids=["empty", "text", "gif", "svg"],
)
def test_cover_that_is_not_a_picture(desk: Desk, content: bytes) -> None:
    (desk.folder / "front.png").write_bytes(content)
    error = desk.refused(TEXT, "unreadable-cover", at="front.png", where=WHERE)
    assert "JPEG" in error["message"]


@pytest.mark.parametrize("kind", ["PNG", "JPEG"])
def test_cover_cut_in_the_middle(desk: Desk, kind: str) -> None:
    content = picture(kind=kind)
    (desk.folder / "front.png").write_bytes(content[: len(content) // 2])
    desk.refused(TEXT, "unreadable-cover", at="front.png", where=WHERE)


def test_cover_of_too_many_pixels(desk: Desk) -> None:
    wide = Image.new("1", (12_001, 1))
    wide.save(desk.folder / "front.png")
    error = desk.refused(TEXT, "cover-too-large", at="front.png", where=WHERE)
    assert "12001" in error["message"]


def test_cover_of_far_too_many_pixels_is_reported_as_such(
    desk: Desk, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Pillow by itself calls a picture of 180 million pixels a bomb."""
    with monkeypatch.context() as patch:
        patch.setattr(Image, "MAX_IMAGE_PIXELS", None)
        Image.new("1", (20_000, 20_000)).save(desk.folder / "front.png")
    error = desk.refused(TEXT, "cover-too-large", at="front.png", where=WHERE)
    assert "20000" in error["message"]


def test_a_large_cover_brings_no_messages_of_libraries(desk: Desk) -> None:
    Image.new("1", (10_000, 10_000)).save(desk.folder / "front.png")
    source = load(desk.write(TEXT))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        found = list(cover_findings(source))
    assert found == []


def test_covers_with_random_bytes_end_in_findings_or_errors(desk: Desk) -> None:
    chance = random.Random(11)
    path = desk.folder / "front.png"
    source = load(desk.write(TEXT))
    whole = [picture(kind="PNG"), picture(kind="JPEG")]
    outcomes = {"read": 0, "refused": 0}
    for number in range(60):
        content = bytearray(whole[number % 2])
        for _ in range(chance.randrange(1, 12)):
            reach = min(len(content), chance.choice([60, 700, 20_000]))
            content[chance.randrange(reach)] = chance.randrange(256)
        if chance.random() < 0.3:
            del content[chance.randrange(len(content)) :]
        path.write_bytes(content)
        if any(found.severity == "error" for found in cover_findings(source)):
            outcomes["refused"] += 1
            continue
        try:
            read_cover(path)
            outcomes["read"] += 1
        except AssemblerError as error:
            assert str(path) in str(error)
            outcomes["refused"] += 1
    assert min(outcomes.values()) > 0


def png_of_16_bits(side: int, colour: int, channels: int) -> bytes:
    """Write a PNG of 16 bits a channel, row by row (PNG, third edition, section 11)."""

    def chunk(name: bytes, content: bytes) -> bytes:
        size, check = len(content), zlib.crc32(name + content)
        return struct.pack(">I", size) + name + content + struct.pack(">I", check)

    row = b"\0" + (bytes(range(256)) * (side * channels // 128 + 1))[: 2 * side * channels]
    packer = zlib.compressobj(1)
    rows = b"".join(packer.compress(row) for _ in range(side)) + packer.flush()
    head = struct.pack(">IIBBBBB", side, side, 16, colour, 0, 0, 0)
    ends = chunk(b"IHDR", head), chunk(b"IDAT", rows), chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + b"".join(ends)


@pytest.mark.thorough
@pytest.mark.parametrize(
    ("colour", "channels"), [(0, 1), (2, 3), (4, 2), (6, 4)], ids=["L", "RGB", "LA", "RGBA"]
)
def test_a_large_png_takes_little_memory(desk: Desk, colour: int, channels: int) -> None:
    """Below 11 bytes a pixel in all, where Pillow alone keeps 4 of what it decodes."""
    side = 5000
    path = desk.folder / "cover.png"
    path.write_bytes(png_of_16_bits(side, colour, channels))
    script = (
        "import sys\n"
        "from pathlib import Path\n"
        "from PIL import Image, ImageCms, ImageOps\n"
        "from bad_input.heavy_manifests import peak_mb\n"
        "from assembler.download.cover import read_cover\n"
        "before = peak_mb()\n"
        "read_cover(Path(sys.argv[1]))\n"
        "print(peak_mb() - before)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", script, path],
        capture_output=True,
        text=True,
        check=True,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[1])},
    )
    assert float(done.stdout) * 1e6 < 11 * side * side
