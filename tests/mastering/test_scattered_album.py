"""An album of music at levels 20 dB apart, from manifest to release.

Music: made by code, and Debian's singularity-music (freely licensed) as 24-bit WAV. Readings:
ffmpeg's ebur128 (BS.1770) and a 16-times oversampling by soxr.
"""

from __future__ import annotations

import pytest
from long_runs import series
from outside import ebur128, true_peak_16

from assembler import verify

pytestmark = pytest.mark.thorough


def test_verify_agrees(scattered_album):
    report = verify(scattered_album.folder)
    assert report.ok, report.findings


def test_every_track_lands_on_the_target_or_a_finding_says_why(scattered_album):
    off = {f.where for f in scattered_album.report.findings if f.code == "off-target"}
    read = most_limited(scattered_album, series(len(scattered_album.tracks), 4))
    landed = {f"tracks[{index}]": abs(ebur128(path)["I"] + 16) for index, path in read.items()}
    assert {where for where, error in landed.items() if error > 0.1} <= off
    assert len(off) <= 2


def test_no_true_peak_above_the_ceiling(scattered_album):
    for path in most_limited(scattered_album, series(len(scattered_album.tracks), 2)).values():
        assert true_peak_16(path) <= -1 + 0.05, path.name


def most_limited(scattered_album, count):
    """Return the 24-bit files that the limiter had most to do with, by their place."""
    files = sorted((scattered_album.folder / "download" / "flac-24").iterdir())
    assert len(files) == len(scattered_album.tracks)
    limited = [track["limiting"]["most_db"] for track in scattered_album.tracks]
    chosen = sorted(range(len(files)), key=lambda index: limited[index], reverse=True)[:count]
    return {index: files[index] for index in chosen}
