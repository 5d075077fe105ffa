"""Names and contents that ffmpeg would take for options, addresses or playlists: only the file that
is named is ever opened. ffmpeg's protocols and its concat and HLS demuxers: ffmpeg.org/ffmpeg-all
(from memory); ADTS: ISO/IEC 13818-7 (from memory)."""

from __future__ import annotations

import json
import shutil
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import soundfile
from bad_input.broken_audio import good_files
from bad_input.test_broken_audio import naming
from desk import RATE_HZ, Desk, hum

from assembler.audio import open_recording
from assembler.audio.ffmpeg import decode_to_wav, run_ffmpeg
from assembler.errors import AssemblerError

NAMES = [
    "-i",
    "-y.wav",
    "-f.m4a",
    "--help.wav",
    "-.wav",
    "%03d.wav",
    "%03d.m4a",
    "pipe:0",
    "pipe:.m4a",
    "fd:0.m4a",
    "concat:a.m4a|b.m4a",
    "subfile,,start,0,end,0,,:a.m4a",
    "data:audio,x.m4a",
    "cache:a.m4a",
    "crypto:a.m4a",
    "tee:a.m4a|b.m4a",
    "file:a.m4a",
    "async:file:a.m4a",
    "lavfi.m4a",
    "$(touch here).m4a",
    "`touch here`.m4a",
    "a;touch here;.m4a",
    "a\"b'c.m4a",
    "two\nlines.m4a",
    "an \x1b[31m escape.m4a",
]
"""Names that a file may well have."""
AWAY = ["http://127.0.0.1:PORT/a.m4a", "tcp://127.0.0.1:PORT", "rtmp://127.0.0.1:PORT/a",
        "https://127.0.0.1:PORT/a.wav", "hls+http://127.0.0.1:PORT/a.m3u8"]  # fmt: skip


def names_in(folder: Path) -> list[str]:
    """List a folder."""
    return sorted(path.name for path in folder.iterdir())


def content_for(name: str) -> bytes:
    """Return audio in a format that ffmpeg decodes, or a WAV file where the name says so."""
    return good_files()["wav" if name.endswith(".wav") else "m4a"]


@pytest.fixture
def empty(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> Desk:
    """A desk without recordings, where the commands are typed."""
    (tmp_path / "desk").mkdir()
    monkeypatch.chdir(tmp_path / "desk")
    return Desk(tmp_path / "desk", capsys)


@pytest.mark.parametrize("name", NAMES)
def test_a_file_of_an_odd_name_is_that_file(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(content_for(name))
    before = names_in(empty.folder)
    recording = open_recording((Path(name),), empty.folder.parent)
    assert float(recording.files[0].duration_s) == pytest.approx(1, abs=0.2)
    loudest = max(float(abs(block).max()) for block in recording.blocks(0, recording.frames))
    assert loudest == pytest.approx(0.22, abs=0.05)
    assert names_in(empty.folder) == before


@pytest.mark.parametrize("name", [name for name in NAMES if name.isprintable()][::3])
def test_a_manifest_that_names_it_builds(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(content_for(name))
    manifest = empty.write(naming(name))
    code, document = empty.json("build", manifest, "--out", empty.out, "--only", "download")
    assert (code, document["ok"]) == (0, True), document["findings"]
    assert names_in(empty.folder) == sorted([name, "finished", "songs.yaml"])


@pytest.mark.parametrize("name", NAMES)
def test_a_name_without_a_file_is_missing(empty: Desk, name: str) -> None:
    for other in ("a.m4a", "b.m4a", "001.m4a"):
        (empty.folder / other).write_bytes(good_files()["m4a"])
    code, errors = empty.reported_clearly("check", empty.write(naming(name)))
    assert code == 1
    expected = "missing-file" if name.isprintable() else "bad-text"
    assert [error["code"] for error in errors] == [expected]


@pytest.mark.parametrize("name", ["two\nlines.wav", "an \x1b[31m escape.wav", "\u202egnp.wav"])
def test_a_broken_file_of_an_odd_name_is_reported_in_one_line(empty: Desk, name: str) -> None:
    (empty.folder / name).write_bytes(b"no sound at all")
    assert empty.reported_clearly("measure", empty.folder / name)[0] == 1


@pytest.fixture
def listener() -> Iterator[tuple[int, list[object]]]:
    """A port of this machine, and who knocked there; a last knock, of its own, is heard."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        knocks: list[object] = []

        def wait() -> None:
            try:
                while True:
                    caller, address = server.accept()
                    knocks.append(address)
                    caller.close()
            except OSError:
                return

        waiting = threading.Thread(target=wait, daemon=True)
        waiting.start()
        here = server.getsockname()
        yield here[1], knocks
        with socket.create_connection(here) as own:
            own.recv(1)  # until the listener has closed it
            assert own.getsockname() in knocks
        server.shutdown(socket.SHUT_RDWR)
    waiting.join(5)


@pytest.mark.parametrize("address", AWAY)
def test_no_address_is_ever_called(
    empty: Desk, listener: tuple[int, list[object]], address: str
) -> None:
    port, knocks = listener
    name = address.replace("PORT", str(port))
    for command in ("check", "build", "measure"):
        code, errors = empty.reported_clearly(command, empty.write(naming(name)))
        assert (code, [error["code"] for error in errors]) == (1, ["missing-file"])
    with pytest.raises(AssemblerError):
        decode_to_wav(Path(name), empty.folder / "out.wav")
    assert not knocks


def frames_of_adts(count: int = 40, length: int = 200) -> bytes:
    """Return AAC frames with right headers (44,100 Hz, 1 channel) and no line end in them."""
    head = bytes([
        0xFF, 0xF1, 0x50, 0x40 | length >> 11, length >> 3 & 0xFF, (length & 7) << 5 | 0x1F, 0xFC,
    ])  # fmt: skip
    return (head + b"\x55" * (length - 7)) * count


PLAYLISTS = {
    "concat": b"ffconcat version 1.0\nfile secret.wav\n#",
    "concat with duration": b"ffconcat version 1.0\nfile 'secret.wav'\nduration 1\n#",
    "concat with an address": b"ffconcat version 1.0\nfile http://127.0.0.1:PORT/a\n#",
    "HLS": b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXT-X-MEDIA-SEQUENCE:0\n#EXTINF:1,\nsecret.aac\n"
    b"#EXT-X-ENDLIST\n#",
    "HLS with an address": b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:1,\n"
    b"http://127.0.0.1:PORT/a.aac\n#EXT-X-ENDLIST\n#",
    "SDP": b"v=0\no=- 0 0 IN IP4 127.0.0.1\ns=x\nc=IN IP4 127.0.0.1\nm=audio PORT RTP/AVP 0\n",
    "DASH": b'<?xml version="1.0"?><MPD type="static" xmlns="urn:mpeg:dash:schema:mpd:2011">'
    b'<Period><AdaptationSet mimeType="audio/mp4"><Representation id="1" bandwidth="1">'
    b"<BaseURL>secret.m4a</BaseURL></Representation></AdaptationSet></Period></MPD><!--",
    "a picture list": b"#EXTM3U8\nsecret.wav\n",
}
SUFFIXES = ["wav", "flac", "aac", "mp3", "m4a", "ogg", "wma", "aiff"]


@pytest.mark.parametrize("kind", PLAYLISTS)
@pytest.mark.parametrize("tail", ["alone", "before AAC"])
def test_a_playlist_named_as_sound_opens_no_other_file(
    empty: Desk, listener: tuple[int, list[object]], kind: str, tail: str
) -> None:
    """The secret is a tone at 8000 Hz and would come out; the list's own AAC holds none."""
    soundfile.write(empty.folder / "secret.wav", hum(1.0), RATE_HZ)
    for suffix in ("aac", "m4a"):
        (empty.folder / f"secret.{suffix}").write_bytes(good_files()[suffix])
    port, knocks = listener
    head = PLAYLISTS[kind].replace(b"PORT", str(port).encode())
    for suffix in SUFFIXES:
        path = empty.folder / f"list.{suffix}"
        path.write_bytes(head + (frames_of_adts() if tail == "before AAC" else b""))
        scratch = empty.folder / "scratch"
        scratch.mkdir()
        try:
            recording = open_recording((path,), scratch)
        except AssemblerError as error:
            assert path.name in str(error)
        else:
            assert recording.rate_hz != RATE_HZ
            loudest = max(float(abs(b).max()) for b in recording.blocks(0, recording.frames))
            assert loudest < 0.01
        shutil.rmtree(scratch)
    assert not knocks


def test_ffmpeg_would_open_the_other_file(empty: Desk) -> None:
    """Without our bounds the first playlist above does open it: the test before can fail."""
    soundfile.write(empty.folder / "secret.wav", hum(1.0), RATE_HZ)
    path = empty.folder / "list.aac"
    path.write_bytes(PLAYLISTS["concat"] + frames_of_adts())
    run_ffmpeg(["-i", f"file:{path}", str(empty.folder / "out.wav")])
    assert soundfile.info(empty.folder / "out.wav").samplerate == RATE_HZ


@pytest.mark.thorough
def test_titles_reach_no_command_line(empty: Desk) -> None:
    """Metadata is written as tags afterwards, never passed to encoders as options."""
    titles = ["-i /etc/passwd", "-y", "%03d", "pipe:1", "concat:a|b", "$(touch here)", "a;touch b"]
    empty.sound("a.wav", hum(1.0, 44100), 44100)
    tracks = "".join(f"  - title: {json.dumps(t)}\n    audio: a.wav\n" for t in titles)
    text = (
        "release: {artist: -version, title: '-i x', catalogue_number: '-y'}\n"
        "disc: {make: false}\nlevel: {match: none}\n"
        f"download: {{formats: [mp3-320, aac-256, opus-160]}}\ntracks:\n{tracks}"
    )
    document = empty.build(text, "--only", "download")
    assert [track["title"] for track in document["tracks"]] == titles
    assert names_in(empty.folder) == ["a.wav", "finished", "songs.yaml"]
    assert len(document["made"]) >= 3 * len(titles)
