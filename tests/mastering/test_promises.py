"""What a build promises, on small sources: exact samples, gains, numbering, rates, several discs.

Expected values are worked from the project's own promises; loudness is read back by pyloudnorm's
meter with the standard's filters ("DeMan"), a reference from the registries.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

import numpy as np
import pyloudnorm
import pytest
import soundfile
from mutagen.flac import FLAC

from assembler import FindingsError, build, load, verify
from assembler.mastering.plan import ROOMS
from assembler.release.build_report import BuildReport

RNG = np.random.default_rng(11)


def _music(seconds: float, rate_hz: int, level: float = 0.2) -> np.ndarray:
    """Two channels of a swelling chord with some noise, as 24-bit PCM in 32."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    chord = sum(np.sin(2 * np.pi * hz * t + k) for k, hz in enumerate((220, 277, 330, 659)))
    sound = np.stack([chord, np.roll(chord, 50)], 1) / 4 + RNG.normal(0, 0.03, (len(t), 2))
    sound *= level * (0.6 + 0.4 * np.sin(2 * np.pi * 0.3 * t))[:, None]
    return np.round(sound * 2**23).astype(np.int32) << 8


def _write(path: Path, pcm: np.ndarray, rate_hz: int, bits: int = 24) -> None:
    soundfile.write(path, pcm, rate_hz, subtype=f"PCM_{bits}")


def _built(
    folder: Path, text: str, name: str = "T", only: Iterable[str] = ROOMS
) -> tuple[BuildReport, Path]:
    head = f"release: {{artist: A, title: B, catalogue_number: {name}}}\n"
    path = folder / f"{name}.yaml"
    path.write_text(head + text, encoding="utf-8")
    report = build(load(path), folder / "out", only=only)
    assert verify(report.release_dir).ok
    return report, report.release_dir


def _read(path: Path, dtype: str = "int32") -> np.ndarray:
    return soundfile.read(str(path), dtype=dtype)[0]


def test_untouched_24_bit_sound_passes_bit_for_bit(tmp_path):
    pcm = _music(6, 44100)
    _write(tmp_path / "a.wav", pcm, 44100)
    _, folder = _built(
        tmp_path,
        "level: {match: none}\ndownload: {formats: [flac-24, wav-24]}\n"
        "tracks: [{title: One, audio: a.wav}]\n",
    )
    for path in ("flac-24/01 One.flac", "wav-24/01 One.wav"):
        np.testing.assert_array_equal(_read(folder / "download" / path)[: len(pcm)], pcm)


def test_untouched_16_bit_sound_passes_bit_for_bit_to_the_disc(tmp_path):
    pcm = _music(6, 44100) >> 16 << 16
    _write(tmp_path / "a.wav", pcm, 44100, bits=16)
    _, folder = _built(
        tmp_path,
        "level: {match: none}\ndownload: {formats: [flac-16]}\n"
        "tracks: [{title: One, audio: a.wav, end: 5.0}]\n",
    )
    image = _read(folder / "disc" / "T.wav")
    np.testing.assert_array_equal(image[: 5 * 44100], pcm[: 5 * 44100])
    np.testing.assert_array_equal(_read(folder / "download/flac-16/01 One.flac"), image)


def test_reduced_bit_depth_is_dithered_with_a_noise_of_a_quarter_step_squared(tmp_path):
    """TPDF: the total error has a variance of Δ²/4 (Lipshitz and others, 1992)."""
    pcm = _music(6, 44100)
    _write(tmp_path / "a.wav", pcm, 44100)
    _, folder = _built(tmp_path, "level: {match: none}\ntracks: [{title: One, audio: a.wav}]\n")
    image = _read(folder / "disc" / "T.wav", "int16")[: len(pcm)]
    error = image - pcm / 2**16
    assert error.var() == pytest.approx(0.25, rel=0.02)
    assert error.mean() == pytest.approx(0, abs=0.005)


def test_mono_is_the_same_in_both_channels(tmp_path):
    _write(tmp_path / "a.wav", _music(6, 48000)[:, 0], 48000)
    _, folder = _built(tmp_path, "level: {target: -20}\ntracks: [{title: One, audio: a.wav}]\n")
    for path in ("disc/T.wav", "download/flac-24/01 One.flac"):
        left, right = _read(folder / path).T
        np.testing.assert_array_equal(left, right)
        assert left.any()


@pytest.mark.thorough
@pytest.mark.parametrize("match", ["album", "track"])
def test_match_lands_where_it_says(tmp_path, match):
    for name, level in (("a", 0.3), ("b", 0.05), ("c", 0.15)):
        _write(tmp_path / f"{name}.wav", _music(8, 44100, level), 44100)
    report, folder = _built(
        tmp_path,
        f"level: {{match: {match}, target: -18}}\ndownload: {{formats: [wav-24]}}\n"
        "tracks:\n- {title: One, audio: a.wav}\n- {title: Two, audio: b.wav, trim: -1.5}\n"
        "- {title: Three, audio: c.wav}\n",
    )
    meter = pyloudnorm.Meter(44100, filter_class="DeMan")
    files = sorted((folder / "download/wav-24").iterdir())
    landed = [meter.integrated_loudness(_read(path, "float64")) for path in files]
    gains = [track["gain_db"] for track in report.as_json()["tracks"]]
    if match == "track":
        assert landed == pytest.approx([-18, -19.5, -18], abs=0.1)
    else:
        assert landed[0] == pytest.approx(-18, abs=0.1)
        assert gains == pytest.approx([gains[0], gains[0] - 1.5, gains[0]], abs=1e-6)
    lufs = [track["download"]["integrated_lufs"] for track in report.as_json()["tracks"]]
    assert lufs == pytest.approx(landed, abs=0.02)


def test_disc_and_download_may_differ_in_level(tmp_path):
    _write(tmp_path / "a.wav", _music(8, 44100, 0.4), 44100)
    report, _ = _built(
        tmp_path,
        "level: {match: track, target: -20}\ndisc: {level: {target: -16, ceiling: -0.5}}\n"
        "tracks: [{title: One, audio: a.wav}]\n",
    )
    (track,) = report.as_json()["tracks"]
    assert track["disc"]["integrated_lufs"] == pytest.approx(-16, abs=0.1)
    assert track["download"]["integrated_lufs"] == pytest.approx(-20, abs=0.1)


@pytest.mark.thorough
def test_a_segue_within_one_recording_has_no_seam(tmp_path):
    """Two tracks cut from one file, converted to 44.1 kHz, equal the same file as one track."""
    _write(tmp_path / "side.wav", _music(14, 96000), 96000)
    level = "level: {match: none}\ndownload: {formats: [wav-24], rate: 44100}\n"
    _, parted = _built(
        tmp_path,
        level + "tracks:\n- {title: One, audio: side.wav, end: 6.123}\n"
        "- {title: Two, audio: side.wav, start: 6.123, gap: 0}\n",
        "PARTED",
    )
    _, whole = _built(tmp_path, level + "tracks: [{title: All, audio: side.wav}]\n", "WHOLE")
    parts = [_read(p, "float64") for p in sorted((parted / "download/wav-24").iterdir())]
    joined, at_once = np.concatenate(parts), _read(whole / "download/wav-24/01 All.wav", "float64")
    assert len(joined) == len(at_once)
    assert len(parts[0]) % 588 == 0
    assert np.abs(joined - at_once).max() < 4 / 2**23  # dither of each is its own


@pytest.mark.thorough
def test_a_segue_between_recordings_of_two_rates(tmp_path):
    _write(tmp_path / "a.wav", _music(5, 48000), 48000)
    _write(tmp_path / "b.wav", _music(5.01, 44100), 44100)
    report, folder = _built(
        tmp_path,
        "level: {match: none}\ntracks:\n- {title: One, audio: a.wav}\n"
        "- {title: Two, audio: b.wav, gap: 0}\n",
    )
    rates = [track["download"]["sample_rate_hz"] for track in report.as_json()["tracks"]]
    assert rates == [48000, 48000]
    one, two = report.as_json()["tracks"]
    assert two["start_frame"] == one["frames"] == 375
    image = soundfile.info(str(folder / "disc/T.wav"))
    assert image.frames == (one["frames"] + two["frames"]) * 588


@pytest.mark.thorough
def test_several_discs(tmp_path):
    _write(tmp_path / "a.wav", _music(5, 44100), 44100)
    report, folder = _built(
        tmp_path,
        "level: {match: none}\ndownload: {formats: [flac-24, flac-16]}\n"
        "tracks:\n- {title: One, audio: a.wav}\n"
        "- {title: Two, audio: a.wav}\n- {title: Three, audio: a.wav, disc: 2, gap: 5}\n",
    )
    assert {p.name for p in (folder / "disc").iterdir()} == {
        *(f"T-{n}.{kind}" for n in (1, 2) for kind in ("wav", "cue", "cdtext", "flac")),
        *(f"pq-sheet-{n}.{kind}" for n in (1, 2) for kind in ("txt", "pdf")),
        *("MD5SUMS", "to-plant.txt"),
    }
    assert [t["number"] for t in report.as_json()["tracks"]] == [1, 2, 1]
    second = FLAC(folder / "download/flac-24/2-01 Three.flac")
    assert (second["discnumber"], second["disctotal"]) == (["2"], ["2"])
    assert (second["tracknumber"], second["tracktotal"]) == (["1"], ["1"])
    cue = (folder / "disc/T-2.cue").read_text("latin-1")
    # Beyond the usual two seconds the track 1 pause is in the image.
    assert "INDEX 00 00:00:00" in cue and "INDEX 01 00:03:00" in cue
    image = _read(folder / "disc/T-2.wav", "int16")
    track = _read(folder / "download/flac-16/2-01 Three.flac", "int16")
    assert not image[: 3 * 44100].any()
    np.testing.assert_array_equal(image[3 * 44100 :], track)
    sheet = (folder / "disc/pq-sheet-2.txt").read_text("utf-8")
    assert re.search(r"Track 1 pause +00:05:00", sheet)
    assert re.search(r"Lead-out \(absolute\) +00:10:00", sheet)
    assert re.search(r"Image length +00:08:00", sheet)
    assert verify(folder).ok


def test_no_disc_and_only_one_room(tmp_path):
    _write(tmp_path / "a.wav", _music(5, 44100), 44100)
    text = "disc: {make: false}\nlevel: {match: none}\ntracks: [{title: One, audio: a.wav}]\n"
    report, folder = _built(tmp_path, text)
    assert not (folder / "disc").exists()
    assert report.as_json()["tracks"][0]["disc"] is None
    again = build(load(tmp_path / "T.yaml"), tmp_path / "out", only=["paper"])
    sheets = {"credits-sheet.pdf", "credits-sheet.txt", "label-copy.txt"}
    assert set(again.made) == {f"paper/{name}" for name in sheets}
    assert (folder / "download/flac-24/01 One.flac").is_file()
    assert verify(folder).ok


@pytest.mark.thorough
def test_ninety_nine_tracks(tmp_path):
    _write(tmp_path / "a.wav", _music(4.1, 8000)[:, 0], 8000)
    tracks = "\n".join(f"- {{title: Take {n}, audio: a.wav, gap: 0.5}}" for n in range(2, 100))
    report, folder = _built(
        tmp_path,
        "level: {match: none}\ndownload: {formats: [flac-16]}\n"
        f"tracks:\n- {{title: Take 1, audio: a.wav}}\n{tracks}\n",
        only=["disc", "download"],
    )
    assert len(report.as_json()["tracks"]) == 99
    assert len(list((folder / "download/flac-16").iterdir())) == 99


@pytest.mark.thorough
def test_tone_and_fades_do_what_they_say(tmp_path):
    wave = 0.25 * np.sin(2 * np.pi * 1000 / 48000 * np.arange(48000 * 8))
    soundfile.write(tmp_path / "a.wav", np.stack([wave, wave], 1), 48000, subtype="PCM_24")
    _, folder = _built(
        tmp_path,
        "level: {match: none}\ntracks:\n- title: One\n  audio: a.wav\n  fade_in: 0.5\n"
        "  fade_out: 2\n  equaliser: [{shape: bell, hz: 1000, db: -6, q: 1}]\n",
    )
    sound = _read(folder / "download/flac-24/01 One.flac", "float64")[:, 0]
    assert np.abs(sound[48000:96000]).max() == pytest.approx(0.25 * 10 ** (-6 / 20), rel=0.002)
    middle = np.abs(sound[6 * 48000 + 47500 : 6 * 48000 + 48500]).max()
    assert middle == pytest.approx(0.25 * 10 ** (-6 / 20) * np.sqrt(0.5), rel=0.02)
    assert np.abs(sound[:24]).max() < 1e-3
    assert np.abs(sound[8 * 48000 - 24 : 8 * 48000]).max() < 1e-3


def test_not_a_number_is_reported_with_its_line(tmp_path):
    sound = np.zeros((48000 * 5, 2), np.float32)
    sound[100_000] = np.nan
    soundfile.write(tmp_path / "a.wav", sound, 48000, subtype="FLOAT")
    path = tmp_path / "T.yaml"
    path.write_text("release: {artist: A, title: B}\ntracks:\n- title: One\n  audio: a.wav\n")
    with pytest.raises(FindingsError) as stopped:
        build(load(path), tmp_path / "out")
    (finding,) = stopped.value.findings
    assert (finding.code, finding.line, finding.where) == ("not-a-number", 4, "tracks[0].audio")
    assert "0:02.08" in finding.message
    assert not (tmp_path / "out").exists()


def test_only_dither_changes_the_mid_where_only_the_side_is_asked(tmp_path):
    pcm = _music(5, 48000)
    pcm[:, 1] = np.roll(pcm[:, 0], 400) // 2
    _write(tmp_path / "a.wav", pcm, 48000)
    tracks = (
        "level: {match: none}\ndownload: {formats: [flac-24]}\ntracks:\n- title: One\n"
        "  audio: a.wav\n  equaliser: [{shape: bell, hz: 900, db: -6, on: side}]\n"
        "  mono_below: 200\n"
    )
    _, folder = _built(tmp_path, tracks, only=["download"])
    text = (folder / "report.txt").read_text(encoding="utf-8")
    assert "bell 900 Hz −6.00 dB on the side; mono below 200 Hz" in " ".join(text.split())
    made = _read(folder / "download/flac-24/01 One.flac").astype(np.int64)[: len(pcm)] >> 8
    source = pcm.astype(np.int64) >> 8
    mid, side = (np.abs((made - source) @ [1, sign]) for sign in (1, -1))
    assert mid.max() <= 4  # TPDF dither of 24 bits alone: below 2 steps in each channel
    assert side.max() > 10000


COMPRESS = "compress: {threshold: -30, ratio: 4, release: 100, sidechain_high_pass: 90}"


def _compressed(folder, name, *tracks):
    lines = "".join(f"- {{title: T{n}, audio: a.wav, {text}}}\n" for n, text in enumerate(tracks))
    settings = "level: {match: none}\ndownload: {formats: [flac-24]}\ntracks:\n"
    report, built = _built(folder, settings + lines, name, only=["disc", "download"])
    return report, [_read(path) >> 8 for path in sorted(built.glob("download/flac-24/*.flac"))]


@pytest.mark.thorough
def test_a_compressor_is_seamless_at_a_segue_and_a_change_of_it_is_reported(tmp_path):
    _write(tmp_path / "a.wav", _music(11, 44100), 44100)
    _, (whole,) = _compressed(tmp_path, "W", COMPRESS)
    _, parts = _compressed(tmp_path, "P", f"end: 5, {COMPRESS}", f"start: 5, gap: 0, {COMPRESS}")
    joined = np.concatenate(parts)[: 11 * 44100].astype(np.int64)
    difference = np.abs(joined - whole[: len(joined)])
    assert difference.max() <= 2**23 * 10 ** (-100 / 20)  # what is left of ten releases
    source = _read(tmp_path / "a.wav")[: len(whole)] >> 8
    assert np.abs(whole - source).max() > 2**23 * 0.05
    report, _ = _compressed(tmp_path, "S", "end: 5", f"start: 5, gap: 0, {COMPRESS}")
    assert "compressor-steps" in [finding.code for finding in report.findings]
    text = (report.release_dir / "report.txt").read_text(encoding="utf-8")
    assert "threshold −30.00 dB, 4:1, attack 30 ms, release 100 ms" in " ".join(text.split())
