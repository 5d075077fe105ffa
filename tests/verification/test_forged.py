"""A release that was changed, with new checksums and reports: `verify` names the file.

What a forger does is done here with programs and libraries from outside the project where there are
any: libsndfile, mutagen, zipfile, shutil.
"""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import stat
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import soundfile
from mutagen.flac import FLAC

from assembler import AssemblerError, build, load, verify
from assembler.disc.cd_text import cd_text
from assembler.disc.texts import ReleaseTexts, TrackTexts
from assembler.download.formats import FACTS, encode
from assembler.download.lossy import decoded
from assembler.finished.report_form import ReleaseReport
from assembler.finished.report_text import report_text
from assembler.verification.sound import Sound, differences

RATE_HZ = 44100
MANIFEST = """\
release: {artist: Halden Ferry Singers, title: Slack Water, catalogue_number: TWE-9,
          barcode: "2000000000145", isrc: {prefix: AA6Q7, year: 27, first: 1}, genre: Folk}
level: {match: none}
download: {formats: [flac-16, flac-24, wav-24, alac-24, mp3-320]}
tracks:
- {title: Low Lantern, audio: 1.wav, composers: [Ines Falk]}
- {title: Undertow, audio: 2.wav, gap: 0}
- {title: Tide Table, audio: 3.wav}
credits:
- {name: Mattis Oren, roles: [harmonium], tracks: [1]}
"""
FLAC_24 = "download/flac-24/01 Low Lantern.flac"
TITLES = ("Low Lantern", "Undertow", "Tide Table")


def plucked(seed: int, seconds: float) -> np.ndarray:
    """Return notes at random, each at its own place between left and right."""
    rng = np.random.default_rng(seed)
    t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
    sound = rng.normal(0, 0.001, (len(t), 2))
    for _ in range(int(4 * seconds)):
        begins, hz, pan = (
            rng.uniform(0, seconds - 0.3),
            rng.choice([147, 196, 262, 440]),
            rng.uniform(),
        )
        ago = np.maximum(t - begins, 0)
        note = np.where(t > begins, np.exp(-5 * ago), 0) * np.sin(2 * np.pi * hz * ago)
        sound += note[:, None] * [pan, 1 - pan]
    return 0.5 * sound / np.abs(sound).max()


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("forged")
    for number, seconds in ((1, 4.0), (2, 4.5), (3, 5.0)):
        samples = plucked(number, seconds)
        soundfile.write(folder / f"{number}.wav", samples, RATE_HZ, subtype="PCM_24")
    (folder / "songs.yaml").write_text(MANIFEST, encoding="utf-8")
    release = build(load(folder / "songs.yaml"), folder / "out", packages=True).release_dir
    report = verify(release)
    assert report.ok and not report.findings, report.findings
    assert "tracks with their sources: 3" in report.proofs
    return release


@pytest.fixture
def copy(finished: Path, tmp_path: Path) -> Path:
    """A copy far from its sources."""
    return Path(shutil.copytree(finished, tmp_path / "a" / "b" / "TWE-9"))


def write_checksums(release: Path) -> None:
    """Write both reports and all checksums again."""
    own = ("SHA256SUMS", "report.json", "report.txt", "manifest.yaml")
    names = sorted(p.relative_to(release).as_posix() for p in release.rglob("*") if p.is_file())
    md5 = {n: hashlib.md5((release / n).read_bytes()).hexdigest() for n in names}
    own_md5 = [n for n in names if n.startswith("disc/") and n != "disc/MD5SUMS"]
    if own_md5:
        lines = [f"{md5[name]}  {name.removeprefix('disc/')}\n" for name in own_md5]
        (release / "disc/MD5SUMS").write_text("".join(lines), encoding="utf-8")
    report = json.loads((release / "report.json").read_text(encoding="utf-8"))
    report["files"] = {name: digest(release / name) for name in names if name not in own}
    text = json.dumps(report, indent=2, ensure_ascii=False) + "\n"
    (release / "report.json").write_text(text, encoding="utf-8")
    plain = report_text(ReleaseReport.model_validate_json(text))
    (release / "report.txt").write_text(plain, encoding="utf-8")
    sums = [f"{digest(release / name)}  {name}\n" for name in names if name != "SHA256SUMS"]
    (release / "SHA256SUMS").write_text("".join(sums), encoding="utf-8")


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def found(release: Path) -> set[tuple[str, str]]:
    """Codes and files of all errors, with new checksums."""
    write_checksums(release)
    report = verify(release, jobs=2)
    assert not report.ok
    assert all(finding.severity == "error" for finding in report.findings)
    assert "changed-file" not in {one.code for one in report.findings}
    return {(finding.code, finding.file) for finding in report.findings}


EDITS = (
    ("disc/pq-sheet.txt", "AA-6Q7-27-00002", "AA-6Q7-27-00009"),
    ("download/release.csv", "Undertow", "Overtow"),
    ("download/release.json", "Ines Falk", "Oda Brenn"),
    ("paper/credits-sheet.txt", "Mattis Oren", "Ines Falk"),
    ("paper/label-copy.txt", "Undertow", "Overtow"),
    ("paper/barcode.svg", "<svg", "<svg "),
    ("proof/index.html", "<bdi>Undertow</bdi>", "<bdi>Overtow</bdi>"),
    ("proof/player.js", "(", "( "),
)
COPIED = (
    ("paper/barcode.pdf", "disc/pq-sheet.pdf"),
    ("disc/pq-sheet.pdf", "paper/credits-sheet.pdf"),
    ("paper/credits-sheet.pdf", "paper/barcode.pdf"),
)


@pytest.mark.thorough
def test_texts_and_paper_that_were_edited(copy: Path, finished: Path) -> None:
    for name, old, new in EDITS:
        text = (copy / name).read_text(encoding="utf-8")
        assert old in text
        (copy / name).write_text(text.replace(old, new, 1), encoding="utf-8")
    for source, target in COPIED:
        shutil.copyfile(finished / source, copy / target)
    names = {name for name, _, _ in EDITS} | {target for _, target in COPIED}
    mailed = ("other-package", "proof/proof.zip")  # its page is no longer the release's
    assert found(copy) == {mailed, *(("other-text", name) for name in names)}


def test_a_script_curves_and_pictures_of_something_else(copy: Path) -> None:
    shutil.copyfile(copy / "proof/levels.png", copy / "proof/running-order.png")
    page = (copy / "proof/index.html").read_text(encoding="utf-8")
    forged = page.replace('"peak": "', '"peak": "AAAA', 1)
    forged = forged.replace("</body>", '<script src="https://192.0.2.1/x.js"></script></body>')
    (copy / "proof/index.html").write_text(forged, encoding="utf-8")
    assert found(copy) == {
        ("other-package", "proof/proof.zip"),
        ("other-picture", "proof/running-order.png"),
        ("other-text", "proof/index.html"),
    }


def test_folders_and_files_that_were_taken_out(copy: Path) -> None:
    removed = {"disc/TWE-9.cdtext", "disc/TWE-9.flac"}
    for name in removed:
        (copy / name).unlink()
    for folder in ("paper", "download/wav-24", "proof/joins"):
        files = [path for path in (copy / folder).rglob("*") if path.is_file()]
        removed |= {path.relative_to(copy).as_posix() for path in files}
        shutil.rmtree(copy / folder)
    assert {name for code, name in found(copy) if code == "missing-file"} == removed


@pytest.mark.parametrize("is_signed", [True, pytest.param(False, marks=pytest.mark.thorough)])
def test_a_file_that_was_added(copy: Path, is_signed: bool) -> None:
    (copy / "download" / "read me.txt").write_text("hello", encoding="utf-8")
    if is_signed:
        write_checksums(copy)
    report = verify(copy, jobs=2)
    assert [(one.code, one.file) for one in report.findings] == [
        ("added-file", "download/read me.txt")
    ]
    assert not report.ok


def test_links_and_pipes_are_errors(copy: Path, tmp_path: Path) -> None:
    target = shutil.move(copy / "paper/credits-sheet.pdf", tmp_path / "elsewhere.pdf")
    (copy / "paper/credits-sheet.pdf").symlink_to(target)
    (copy / "download/more").symlink_to(tmp_path, target_is_directory=True)
    os.mkfifo(copy / "proof/pipe")
    findings = {(one.code, one.file) for one in verify(copy, jobs=2).findings}
    assert ("link", "paper/credits-sheet.pdf") in findings
    assert ("link", "download/more") in findings
    assert ("no-file", "proof/pipe") in findings


def test_checksums_that_name_a_file_outside(copy: Path) -> None:
    sums = (copy / "SHA256SUMS").read_text(encoding="utf-8")
    (copy / "SHA256SUMS").write_text(sums + f"{'0' * 64}  ../../evil\n", encoding="utf-8")
    with pytest.raises(AssemblerError, match=r"SHA256SUMS:\d+: names a file outside the release"):
        verify(copy)


def rewritten(path: Path, change: Callable[[dict[str, bytes], str], object]) -> None:
    """Pack an archive again with changed entries; one that is a path becomes a link to it."""
    with zipfile.ZipFile(path) as archive:
        entries = {one.filename: archive.read(one) for one in archive.infolist()}
    change(entries, path.stem)
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in entries.items():
            entry = zipfile.ZipInfo(name)
            entry.external_attr = (stat.S_IFLNK | 0o777 if content == b"/etc" else 0o100644) << 16
            archive.writestr(entry, content)


@pytest.mark.thorough
def test_packages_that_hold_something_else(copy: Path) -> None:
    stem = "Halden Ferry Singers - Slack Water"
    first, second, third = (f"0{n} {title}" for n, title in enumerate(TITLES, 1))
    changes: dict[str, Callable[[dict[str, bytes], str], object]] = {
        "flac-16": lambda e, _: e.update({"../../evil": b"evil"}),
        "flac-24": lambda e, top: e.update({f"{top}/{first}.flac": e[f"{top}/{second}.flac"]}),
        "wav-24": lambda e, top: e.update({f"{top}/tracklist.txt": b"/etc"}),
        "alac-24": lambda e, top: e.pop(f"{top}/{third}.m4a"),
        "mp3-320": lambda e, top: e.update({f"{top}/SHA256SUMS": b""}),
    }
    for form, change in changes.items():
        rewritten(copy / f"download/{stem} ({form}).zip", change)
    assert found(copy) == {("other-package", f"download/{stem} ({form}).zip") for form in changes}


@pytest.mark.thorough
def test_chunks_of_a_wav_file_and_cd_text_of_another_disc(copy: Path) -> None:
    path = copy / "download/wav-24/01 Low Lantern.wav"
    content = path.read_bytes()
    assert content.count(b"Singers: Low") == 1  # in `bext`
    path.write_bytes(content.replace(b"Singers: Low", b"Singers: Lou"))
    artist = "Halden Ferry Singers"
    titles = [TrackTexts(title, artist) for title in (*TITLES[:2], "C")]
    packs = cd_text(ReleaseTexts("Slack Water", artist), titles).content
    (copy / "disc/TWE-9.cdtext").write_bytes(packs)
    write_checksums(copy)
    findings = verify(copy, jobs=2).findings
    assert ("other-chunk", "download/wav-24/01 Low Lantern.wav") in {
        (one.code, one.file) for one in findings
    }
    messages = " ".join(one.message for one in findings if one.code == "cd-text")
    assert "track 3: its title is `C`" in messages
    assert "track 1: its composer is missing" in messages
    assert "the release: its barcode and ISRC is missing" in messages


def retold(path: Path, change: Callable[[np.ndarray], np.ndarray]) -> None:
    """Write a lossless file with other samples and its own tags."""
    samples, rate_hz = soundfile.read(path, dtype="int32", always_2d=True)
    info = soundfile.info(path)
    before = FLAC(path) if path.suffix == ".flac" else None
    soundfile.write(path, change(samples), rate_hz, subtype=info.subtype, format=info.format)
    if before is not None:
        file = FLAC(path)
        file["title"] = "x"  # makes the block of tags
        file.tags.clear()
        file.tags.extend(list(before.tags))
        file.cuesheet = before.cuesheet
        file.save()


def inverted(samples: np.ndarray) -> np.ndarray:
    return np.maximum(-samples.astype(np.int64), -(2**31) + 1).astype(np.int32)


def swapped(samples: np.ndarray) -> np.ndarray:
    return np.ascontiguousarray(samples[:, ::-1])


def one_inverted(samples: np.ndarray) -> np.ndarray:
    return np.stack([samples[:, 0], inverted(samples)[:, 1]], 1)


def later(samples: np.ndarray) -> np.ndarray:
    return np.roll(samples, RATE_HZ, axis=0)


def one_sample(samples: np.ndarray) -> np.ndarray:
    changed = samples.copy()
    changed[RATE_HZ, 0] += 1 << 26
    return changed


@pytest.mark.thorough
@pytest.mark.parametrize("change", [inverted, swapped, one_inverted])
def test_image_and_archive_with_the_same_channel_fault(copy: Path, change: Callable) -> None:
    for kind in ("wav", "flac"):
        retold(copy / f"disc/TWE-9.{kind}", change)
    codes = found(copy)
    assert {name for code, name in codes if code in ("other-samples", "other-channels")} >= {
        *(f"download/{form}/01 Low Lantern.flac" for form in ("flac-16", "flac-24")),
        "download/alac-24/01 Low Lantern.m4a",
        "download/mp3-320/01 Low Lantern.mp3",
        "proof/joins/01-02.mp3",
    }


def test_lossless_files_of_something_else(copy: Path) -> None:
    names = [f"0{n} {title}" for n, title in enumerate(TITLES, 1)]
    forged = {
        f"download/flac-24/{names[0]}.flac": inverted,
        f"download/flac-24/{names[1]}.flac": swapped,
        f"download/flac-24/{names[2]}.flac": one_inverted,
        f"download/flac-16/{names[0]}.flac": one_sample,
        f"download/flac-16/{names[1]}.flac": later,
    }
    for name, change in forged.items():
        retold(copy / name, change)
    samples, _ = soundfile.read(copy / f"download/flac-24/{names[2]}.flac", dtype="int32")
    alac = f"download/alac-24/{names[2]}.m4a"
    encode([later(samples) >> 8], RATE_HZ, FACTS["alac-24"], copy / alac)
    other = {name for code, name in found(copy) if code == "other-samples"}
    assert other == {*forged, alac}


@pytest.mark.thorough
def test_lossy_files_of_something_else(copy: Path) -> None:
    samples, _ = soundfile.read(copy / FLAC_24, dtype="int32", always_2d=True)
    forged = {
        "other-channels": [swapped, inverted],
        "other-sound": [later, lambda s: np.concatenate([s[: len(s) // 8], 0 * s[len(s) // 8 :]])],
        "other-gain": [lambda s: s // 8 * 7],
    }
    path = copy / "download/mp3-320/01 Low Lantern.mp3"
    clean = Sound("", RATE_HZ, lambda: iter([samples / 2.0**31]))
    for code, changes in forged.items():
        for change in changes:
            encode([change(samples) >> 8], RATE_HZ, FACTS["mp3-320"], path)
            clip = Sound("", RATE_HZ, lambda: decoded(path, "mp3"))
            assert [one for one, _ in differences(clean, clip, 0.0, 0.3)] == [code]
    assert ("other-gain", "download/mp3-320/01 Low Lantern.mp3") in found(copy)


@pytest.mark.thorough
def test_a_clip_of_another_join(copy: Path) -> None:
    shutil.copyfile(copy / "proof/joins/02-03.mp3", copy / "proof/joins/01-02.mp3")
    assert ("other-sound", "proof/joins/01-02.mp3") in found(copy)


@pytest.mark.parametrize("change", [inverted, swapped])
def test_a_channel_fault_in_all_files_is_found_by_their_sources(
    finished: Path, tmp_path: Path, change: Callable
) -> None:
    source = load(finished.parents[1] / "songs.yaml")
    release = build(source, tmp_path / "deep" / "out", only=["disc"]).release_dir
    for kind in ("wav", "flac"):
        retold(release / f"disc/TWE-9.{kind}", change)
    write_checksums(release)
    # they name the image's SHA-256
    sheets = {f"disc/{name}" for name in ("pq-sheet.txt", "pq-sheet.pdf", "to-plant.txt")}
    assert {one.file for one in verify(release).findings} == sheets
    findings = verify(release, sources=finished.parents[1]).findings
    of_sound = [(one.code, one.file) for one in findings if one.file not in sheets]
    assert of_sound == 3 * [("other-channels", "disc/TWE-9.wav")]


@pytest.mark.thorough
def test_a_source_that_changed_since_is_a_warning(finished: Path, tmp_path: Path) -> None:
    sources = Path(shutil.copytree(finished.parents[1], tmp_path / "desk"))
    soundfile.write(sources / "2.wav", plucked(9, 4.5), RATE_HZ, subtype="PCM_24")
    report = verify(finished, sources=sources)
    assert report.ok
    assert [one.code for one in report.findings] == ["source-changed"]
    assert "track 2" in report.findings[0].message


def test_an_edited_manifest_is_found(copy: Path) -> None:
    text = (copy / "manifest.yaml").read_text(encoding="utf-8")
    (copy / "manifest.yaml").write_text(text.replace("Ines Falk", "Oda Brenn"), encoding="utf-8")
    assert {("other-manifest", "manifest.yaml"), ("other-text", "paper/label-copy.txt")} <= found(
        copy
    )


@pytest.mark.parametrize("apart", [1, pytest.param(-588, marks=pytest.mark.thorough)])
def test_a_first_sample_that_the_running_order_contradicts(copy: Path, apart: int) -> None:
    report = json.loads((copy / "report.json").read_text(encoding="utf-8"))
    report["tracks"][1]["source"]["first_samples"]["44100"] += apart
    (copy / "report.json").write_text(json.dumps(report), encoding="utf-8")
    write_checksums(copy)
    (only,) = verify(copy).findings
    assert (only.code, only.file) == ("other-report", "report.json")
    assert only.message.startswith("tracks.1.source.first_samples is ")


def test_a_report_without_the_discs_of_the_manifest(copy: Path) -> None:
    report = json.loads((copy / "report.json").read_text(encoding="utf-8"))
    report["discs"] = []
    (copy / "report.json").write_text(json.dumps(report), encoding="utf-8")
    write_checksums(copy)
    (only,) = verify(copy).findings
    assert (only.code, only.file) == ("unreadable-file", "report.json")
    assert "discs: 0, which contradicts the manifest's `disc.make`" in only.message
