"""An album of real music at levels 20 dB apart, from manifest to release.

Music: Debian's singularity-music (freely licensed), decoded to 24-bit WAV. Readings: ffmpeg's
ebur128 (BS.1770) and a 16-times oversampling by soxr.
"""

from __future__ import annotations

from long_runs import series
from outside import ebur128, true_peak_16

from assembler import check, verify


def test_it_is_an_album(real_album):
    report = check(real_album.source)
    assert report.ok
    assert report.as_json()["disc"]["frames"] > series(40, 15) * 60 * 75


def test_verify_agrees(real_album):
    report = verify(real_album.folder)
    assert report.ok, report.findings


def test_every_track_lands_on_the_target_or_a_finding_says_why(real_album):
    off = {f.where for f in real_album.report.findings if f.code == "off-target"}
    read = most_limited(real_album, series(len(real_album.tracks), 4))
    landed = {f"tracks[{index}]": abs(ebur128(path)["I"] + 16) for index, path in read.items()}
    assert {where for where, error in landed.items() if error > 0.1} <= off
    assert len(off) <= 2


def test_no_true_peak_above_the_ceiling(real_album):
    for path in most_limited(real_album, series(len(real_album.tracks), 2)).values():
        assert true_peak_16(path) <= -1 + 0.05, path.name


def most_limited(real_album, count):
    """Give the 24-bit files that the limiter had most to do with, by their place."""
    files = sorted((real_album.folder / "download" / "flac-24").iterdir())
    assert len(files) == len(real_album.tracks)
    limited = [track["limiting"]["most_db"] for track in real_album.tracks]
    chosen = sorted(range(len(files)), key=lambda index: limited[index], reverse=True)[:count]
    return {index: files[index] for index in chosen}
