"""Rips of a small release's test disc, made by hand: what `verify --rip` finds in each."""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
import soxr
from numpy.typing import NDArray

from assembler import build, load
from assembler.commands.main import main
from assembler.rip.match import MOST_OFFSET
from assembler.sequence.frames import SAMPLES_PER_FRAME
from assembler.text import frames_text

MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9,
          barcode: "2000000000145", isrc: {prefix: AA6Q7, year: 27, first: 1}}
level: {match: none}
tracks:
- {title: One, audio: 1.wav}
- {title: Two, audio: 2.wav, gap: 1}
- {title: Three, audio: 3.wav, gap: 2, indexes: [3]}
- {title: Four, audio: 4.wav, gap: 0}
- {title: Five, audio: 5.wav, gap: 3, disc: 2}
- {title: Six, audio: 6.wav, gap: 1}
"""
LENGTHS_S = (6, 5, 7, 6, 5, 5)
Pcm = NDArray[np.int16]


def music(seed: int, seconds: float) -> NDArray[np.float64]:
    """Return noise with a swell, its channels partly in common."""
    rng = np.random.default_rng(seed)
    samples = round(seconds * 44100)
    left, right, both = np.cumsum(rng.normal(0, 1, (3, samples)), axis=1) % 16 - 8
    swell = 0.02 + 0.015 * np.sin(np.arange(samples) / 9000)
    return np.stack([left + both, right + both], 1) * swell[:, None]


@dataclass(frozen=True)
class Sent:
    """The release that was sent."""

    folder: Path
    starts: list[int]
    pcm: Pcm
    capsys: pytest.CaptureFixture[str]
    place: Path

    @property
    def tracks(self) -> list[Pcm]:
        return np.split(self.pcm, [start * SAMPLES_PER_FRAME for start in self.starts[1:]])

    def write(self, pcm: Pcm, name: str = "rip.wav") -> Path:
        path = self.place / name
        if path.suffix == ".bin":
            path.write_bytes(pcm.astype("<i2").tobytes())
        else:
            soundfile.write(path, pcm, 44100, subtype="PCM_16")
        return path

    def run(self, *files: Path, code: int | None = None) -> dict[str, Any]:
        """Compare a rip, and check that exit code and findings say the same."""
        self.capsys.readouterr()
        exit_code = main(["verify", str(self.folder), "--rip", *map(str, files), "--json"])
        document: dict[str, Any] = json.loads(self.capsys.readouterr().out)
        errors = [f for f in document["findings"] if f["severity"] == "error"]
        assert exit_code == (1 if errors else 0)
        assert document["ok"] == (not errors)
        assert code in (None, exit_code)
        return document

    def errors(self, *files: Path) -> list[tuple[str, str]]:
        """Return code and place of each error."""
        found = self.run(*files, code=1)["findings"]
        return [(f["code"], f["where"]) for f in found if f["severity"] == "error"]


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sent")
    for number, seconds in enumerate(LENGTHS_S, 1):
        soundfile.write(folder / f"{number}.wav", music(number, seconds), 44100, subtype="PCM_16")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    return build(load(folder / "songs.yaml"), folder / "out", only=["disc"]).release_dir


@pytest.fixture
def sent(built: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Sent:
    report = json.loads((built / "report.json").read_text())
    starts = [t["start_frame"] for t in report["tracks"] if t["disc_number"] == 1]
    pcm, _ = soundfile.read(built / "disc" / "TWE-9-1.wav", dtype="int16")
    return Sent(built, starts, pcm, capsys, tmp_path)


def shifted(pcm: Pcm, offset: int) -> Pcm:
    """Return what a drive with an offset reads: as many samples, zeros from beyond the ends."""
    rest = np.zeros((abs(offset), 2), np.int16)
    return (
        np.concatenate([rest, pcm])[: len(pcm)]
        if offset > 0
        else np.concatenate([pcm, rest])[-len(pcm) :]
    )


@pytest.mark.parametrize("offset", [0, 6, -6, 1500, -1500, 2940])
@pytest.mark.parametrize("suffix", ["wav", "flac", "bin"])
def test_offset(sent: Sent, offset: int, suffix: str) -> None:
    found = sent.run(sent.write(shifted(sent.pcm, offset), f"rip.{suffix}"), code=0)
    assert found["rip"] == {"identical": True, "disc": 1, "offset_samples": offset}
    ends = [f["message"] for f in found["findings"]]
    assert len(ends) == bool(offset)
    assert all(f" {abs(offset)} samples of the image" in message for message in ends)


def test_offset_beyond_any_drive(sent: Sent) -> None:
    rip = sent.write(shifted(sent.pcm, MOST_OFFSET + 500))
    assert sent.errors(rip)[0] == ("rip-shifted", "the whole disc")


@pytest.mark.parametrize("offset", [0, 6, -1500])
def test_one_file_per_track_in_a_folder(sent: Sent, offset: int) -> None:
    folder = sent.place / "rip"
    folder.mkdir()
    cuts = [start * SAMPLES_PER_FRAME for start in sent.starts[1:]]
    for number, pcm in enumerate(np.split(shifted(sent.pcm, offset), cuts), 8):
        sent.write(pcm, f"rip/Track {number}.flac")  # 10 comes after 9
    found = sent.run(folder, code=0)
    assert found["rip"] == {"identical": True, "disc": 1, "offset_samples": offset}


def test_the_other_disc(sent: Sent) -> None:
    found = sent.run(sent.folder / "disc" / "TWE-9-2.flac", code=0)
    assert found["rip"] == {"identical": True, "disc": 2, "offset_samples": 0}


def test_flipped_bit(sent: Sent) -> None:
    pcm = shifted(sent.pcm, 6)
    frame = sent.starts[2] + 152
    pcm[frame * SAMPLES_PER_FRAME + 6 + 100, 1] ^= 1
    (finding,) = [
        f for f in sent.run(sent.write(pcm), code=1)["findings"] if f["severity"] == "error"
    ]
    assert (finding["code"], finding["where"]) == ("rip-differs", "track 3 at 00:02:02")
    assert f"program time {frames_text(frame)}" in finding["message"]
    assert "1 sample in 1 frame differ" in finding["message"]


def test_differing_samples_and_where_they_stop(sent: Sent) -> None:
    pcm = sent.pcm.copy()
    first, last = ((sent.starts[1] + f) * SAMPLES_PER_FRAME for f in (75, 85))
    pcm[first:last] += 1
    (finding,) = sent.run(sent.write(pcm), code=1)["findings"]
    assert finding["where"] == "track 2 at 00:01:00"
    assert "5880 samples in 10 frames differ, the last at track 2 at 00:01:09" in finding["message"]


@pytest.mark.parametrize(
    ("count", "code"),
    [(588, "rip-samples-lost"), (-588, "rip-samples-added"), (17, "rip-samples-lost")],
)
def test_lost_and_added_samples(sent: Sent, count: int, code: str) -> None:
    at = (sent.starts[1] + 160) * SAMPLES_PER_FRAME + 200
    rip = sent.write(np.concatenate([sent.pcm[:at], sent.pcm[at + count :]]))
    found = sent.run(rip, code=1)
    (error,) = [f for f in found["findings"] if f["severity"] == "error"]
    assert error["code"] == code
    assert error["where"] in ("track 2 at 00:02:10", "track 2 at 00:02:11")
    assert f"{abs(count)} samples" in error["message"]
    assert found["rip"]["offset_samples"] == 0


def test_two_dropped_frames(sent: Sent) -> None:
    places = [(sent.starts[track] + 100) * SAMPLES_PER_FRAME for track in (0, 2)]
    keep = np.ones(len(sent.pcm), bool)
    for place in places:
        keep[place : place + SAMPLES_PER_FRAME] = False
    lost = [
        where
        for code, where in sent.errors(sent.write(sent.pcm[keep]))
        if code == "rip-samples-lost"
    ]
    assert lost == ["track 1 at 00:01:25", "track 3 at 00:01:25"]


def test_swapped_tracks(sent: Sent) -> None:
    one, two, three, four = sent.tracks
    files = [sent.write(pcm, f"{n}.wav") for n, pcm in enumerate((one, three, two, four), 1)]
    found = sent.run(*files, code=1)
    (finding,) = [f for f in found["findings"] if f["severity"] == "error"]
    assert finding["code"] == "rip-track-order"
    assert finding["message"].startswith("tracks 2 and 3 are swapped: ")


def test_all_tracks_in_another_order(sent: Sent) -> None:
    one, two, three, four = sent.tracks
    (error,) = sent.errors(sent.write(np.concatenate([four, one, two, three])))
    assert error == ("rip-track-order", "")


@pytest.mark.parametrize("missing", [1, 2, 3, 4])
def test_missing_track(sent: Sent, missing: int) -> None:
    kept = [pcm for number, pcm in enumerate(sent.tracks, 1) if number != missing]
    files = [sent.write(pcm, f"{n}.wav") for n, pcm in enumerate(kept, 1)]
    assert sent.errors(*files) == [
        ("rip-track-missing", f"track {missing}"),
        ("rip-tracks", ""),
    ]


@pytest.mark.parametrize("after", [2, 4])
def test_extra_track(sent: Sent, after: int) -> None:
    extra = (music(77, 6) * 20000).astype(np.int16)
    parts = [*sent.tracks[:after], extra, *sent.tracks[after:]]
    codes = [code for code, _ in sent.errors(sent.write(np.concatenate(parts)))]
    assert codes == ["rip-track-extra"]


def test_other_sound_in_place_of_a_track(sent: Sent) -> None:
    one, two, three, four = sent.tracks
    other = (music(78, len(two) / 44100) * 20000).astype(np.int16)
    rip = sent.write(np.concatenate([one, other, three, four]))
    assert sent.errors(rip) == [("rip-other-sound", "track 2")]


@pytest.mark.parametrize("gain_db", [1.0, -3.0])
@pytest.mark.parametrize("offset", [0, -600])
def test_level(sent: Sent, gain_db: float, offset: int) -> None:
    louder = np.rint(shifted(sent.pcm, offset) * 10 ** (gain_db / 20))
    assert np.abs(louder).max() < 32767
    (finding,) = [
        f
        for f in sent.run(sent.write(louder.astype(np.int16)), code=1)["findings"]
        if f["severity"] == "error"
    ]
    assert (finding["code"], finding["where"]) == ("rip-level", "the whole disc")
    assert f"{gain_db:+.2f} dB".replace("-", "−") in finding["message"]


def test_level_of_one_track(sent: Sent) -> None:
    pcm = sent.pcm.copy()
    start, end = (frame * SAMPLES_PER_FRAME for frame in sent.starts[1:3])
    pcm[start:end] = np.rint(pcm[start:end] * 10 ** (-0.5 / 20))
    assert sent.errors(sent.write(pcm)) == [("rip-level", "track 2")]


@pytest.mark.parametrize(
    ("change", "code"),
    [
        (lambda pcm: -pcm, "rip-polarity"),
        (lambda pcm: pcm[:, ::-1], "rip-channels"),
    ],
)
def test_polarity_and_channels(sent: Sent, change: Any, code: str) -> None:
    assert sent.errors(sent.write(shifted(change(sent.pcm), 12))) == [(code, "the whole disc")]


def test_other_byte_order(sent: Sent) -> None:
    found = sent.run(sent.write(sent.pcm.byteswap(), "rip.bin"), code=0)
    assert [f["code"] for f in found["findings"]] == ["rip-byte-order"]


def test_a_disc_written_in_the_other_byte_order_is_noise(sent: Sent) -> None:
    assert sent.errors(sent.write(sent.pcm.byteswap())) == [("rip-byte-order", "the whole disc")]


def test_resampled_copy(sent: Sent) -> None:
    there = soxr.resample(sent.pcm.astype(np.float32), 44100, 48000)
    back = np.rint(soxr.resample(there, 48000, 44100)).astype(np.int16)[: len(sent.pcm)]
    assert sent.errors(sent.write(back)) == [("rip-not-digital-copy", "the whole disc")]


@pytest.mark.thorough
def test_lossy_copy(sent: Sent) -> None:
    soundfile.write(sent.place / "rip.mp3", sent.pcm, 44100, format="MP3")
    decoded, _ = soundfile.read(sent.place / "rip.mp3", dtype="int16")
    (error,) = sent.errors(sent.write(decoded[1105 : 1105 + len(sent.pcm)]))
    assert error == ("rip-not-digital-copy", "the whole disc")


def test_another_disc(sent: Sent) -> None:
    other = (music(99, 24) * 20000).astype(np.int16)
    found = sent.run(sent.write(other), code=1)
    assert [f["code"] for f in found["findings"]] == ["rip-other-disc"]
    assert found["rip"] == {"identical": False, "disc": None, "offset_samples": None}


def test_a_rip_that_ends_early(sent: Sent) -> None:
    end = (sent.starts[3] + 250) * SAMPLES_PER_FRAME
    assert sent.errors(sent.write(sent.pcm[:end])) == [("rip-truncated", "track 4 at 00:03:25")]


def cue_of(sent: Sent, *, file: str = "rip.wav") -> str:
    """Return the cue sheet of the disc that was sent, naming a rip."""
    cue = (sent.folder / "disc" / "TWE-9-1.cue").read_text(encoding="latin-1")
    return cue.replace("TWE-9-1.wav", file)


def with_cue(sent: Sent, cue: str) -> tuple[Path, Path]:
    path = sent.place / "rip.cue"
    path.write_text(cue, encoding="utf-8-sig")
    return path, sent.write(shifted(sent.pcm, 6))


def test_cue_sheet_of_the_rip(sent: Sent) -> None:
    found = sent.run(*with_cue(sent, cue_of(sent)), code=0)
    assert found["rip"]["identical"]
    assert found == sent.run(sent.place / "rip.cue", code=0), "the cue sheet names its file"


def test_lost_index_00(sent: Sent) -> None:
    lines = cue_of(sent).splitlines()
    lost = next(n for n, line in enumerate(lines) if "INDEX 00" in line)
    cue = "\n".join(line for n, line in enumerate(lines) if n != lost)
    assert sent.errors(*with_cue(sent, cue)) == [("rip-index-lost", "track 2 index 00")]


def test_no_index_points_are_not_determined(sent: Sent) -> None:
    lines = [
        line for line in cue_of(sent).splitlines() if "INDEX" not in line or "INDEX 01" in line
    ]
    found = sent.run(*with_cue(sent, "\n".join(lines)), code=0)
    assert "rip-no-index-points" in [f["code"] for f in found["findings"]]


def test_moved_start(sent: Sent) -> None:
    right, moved = (frames_text(sent.starts[3] + more) for more in (0, 2))
    cue = cue_of(sent).replace(f"INDEX 01 {right}", f"INDEX 01 {moved}")
    assert sent.errors(*with_cue(sent, cue)) == [("rip-index-moved", "track 4 index 01")]


def test_other_isrc(sent: Sent) -> None:
    cue = cue_of(sent).replace("AA6Q72700002", "AA6Q72700009")
    assert sent.errors(*with_cue(sent, cue)) == [("rip-isrc", "track 2 ISRC")]


def test_moved_start_of_a_tracks_file(sent: Sent) -> None:
    cuts = [start * SAMPLES_PER_FRAME for start in sent.starts[1:]]
    cuts[1] += SAMPLES_PER_FRAME
    files = [sent.write(pcm, f"{n}.wav") for n, pcm in enumerate(np.split(sent.pcm, cuts))]
    assert sent.errors(*files) == [("rip-index-moved", "track 3 index 01")]


def test_files_that_can_not_be_a_rip(sent: Sent) -> None:
    good = sent.write(sent.pcm)
    bad = {
        name: sent.place / name
        for name in (
            "mono.wav",
            "48k.wav",
            "24.flac",
            "empty.bin",
            "empty.wav",
            "odd.bin",
            "cut.wav",
            "text.wav",
        )
    }
    soundfile.write(bad["mono.wav"], sent.pcm[:, 0], 44100, subtype="PCM_16")
    soundfile.write(bad["48k.wav"], sent.pcm, 48000, subtype="PCM_16")
    soundfile.write(bad["24.flac"], sent.pcm, 44100, subtype="PCM_24")
    bad["empty.bin"].write_bytes(b"")
    bad["empty.wav"].write_bytes(b"")
    bad["odd.bin"].write_bytes(bytes(1001))
    bad["cut.wav"].write_bytes(good.read_bytes()[:500_001])
    bad["text.wav"].write_text("no sound")
    found = sent.run(*bad.values(), code=1)["findings"]
    said = {Path(f["file"]).name: f["message"] for f in found}
    assert said.keys() == bad.keys()
    assert len(found) == len(bad)
    assert "is mono at 44100 Hz" in said["mono.wav"]
    assert "is stereo at 48000 Hz" in said["48k.wav"]
    assert "is 24 bit" in said["24.flac"]
    assert "is empty" in said["empty.bin"]
    assert "truncated" in said["cut.wav"]
    assert "1001 bytes" in said["odd.bin"]


def test_a_truncated_flac(sent: Sent) -> None:
    path = sent.write(sent.pcm, "rip.flac")
    path.write_bytes(path.read_bytes()[:-50_000])
    (finding,) = sent.run(path, code=1)["findings"]
    assert finding["code"] == "truncated-file"


@pytest.mark.parametrize("name", ["nothing.wav", "nothing.cue", "nothing"])
def test_missing_files(sent: Sent, name: str) -> None:
    (finding,) = sent.run(sent.place / name, code=1)["findings"]
    assert name in finding["file"] + finding["message"]


def test_an_empty_folder(sent: Sent) -> None:
    (sent.place / "rip").mkdir()
    (finding,) = sent.run(sent.place / "rip", code=1)["findings"]
    assert "has no WAV, FLAC or BIN file" in finding["message"]


def test_what_a_person_reads(sent: Sent) -> None:
    assert main(["verify", str(sent.folder), "--rip", str(sent.write(shifted(sent.pcm, -6)))]) == 0
    lines = sent.capsys.readouterr().out.splitlines()
    assert lines[-1].endswith("the rip is bit-identical to the image with offset −6")
