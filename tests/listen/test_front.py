"""The page opens from what is known of the last session, before the engine is loaded."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import threading
import urllib.error
import urllib.request
from concurrent.futures import Future, ThreadPoolExecutor
from types import SimpleNamespace

import pytest
import uvicorn
from listen.serving import MANIFEST, serving, write_desk

from assembler.cache.folder import CacheFolder
from assembler.errors import AssemblerError
from assembler.listen.decided import Decided
from assembler.listen.front import Front, ctrl_c_noted, listening_socket
from assembler.listen.guard import Guard
from assembler.listen.known_page import KnownPage

HEAVY = ("numba", "scipy", "pydantic", "yaml", "PIL", "assembler.mastering", "assembler.manifest")
TRACK = {
    "title": "Low Lantern", "values": {"trim": 1.5}, "settled": True, "join_settled": True,
    "gain_db": 4.5, "length_s": 9.0, "integrated_lufs": -16.0, "true_peak_dbtp": -1.0,
    "max_gain_reduction_db": 0.5, "loudest_from_s": 2.0,
}  # fmt: skip
DOCUMENT = {"revision": 7, "ok": True, "can_undo": True, "tracks": [TRACK], "sides": []}


def known_page(tmp_path, text=MANIFEST):
    """A page that was kept, of a manifest with one recording; and what it was kept in."""
    path, sound = tmp_path / "songs.yaml", tmp_path / "1.wav"
    path.write_text(text, encoding="utf-8")
    sound.write_bytes(b"sound")
    cache = CacheFolder(tmp_path / "cache")
    files = (SimpleNamespace(path=sound),)
    report = SimpleNamespace(
        sections=[SimpleNamespace(recording=SimpleNamespace(source_files=files))]
    )
    KnownPage(cache, path).keep(DOCUMENT, SimpleNamespace(number=7, text=text, report=report))
    return cache, path


def test_the_address_is_printed_before_the_engine_is_loaded():
    heavy = f"[one for one in {HEAVY} if one in sys.modules]"
    program = f"import assembler.listen.session, sys; print({heavy})"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


def test_a_page_is_known_as_long_as_manifest_and_sources_are_as_they_were(tmp_path):
    cache, path = known_page(tmp_path)
    found = KnownPage(cache, path)
    assert found.document
    assert (found.document["revision"], found.document["can_undo"]) == (1, False)
    assert found.document["tracks"][0]["settled"] is False
    assert found.document["tracks"][0]["integrated_lufs"] == -16
    assert found.gains == {"Low Lantern": 3.0}
    assert found.readings(MANIFEST, 0)["loudest_from_s"] == 2
    assert found.readings(MANIFEST + "#", 0) is None
    path.write_text(MANIFEST + "#", encoding="utf-8")
    assert KnownPage(cache, path).document is None
    path.write_text(MANIFEST, encoding="utf-8")
    assert KnownPage(cache, path).document
    path.with_name("1.wav").write_bytes(b"other sound")
    assert KnownPage(cache, path).document is None


@pytest.mark.parametrize("fails", [False, True])
def test_what_is_known_is_answered_until_the_desk_is_open(tmp_path, fails):
    cache, path = known_page(tmp_path)
    opening: Future = Future()
    opening.set_running_or_notify_cancel()
    front = Front(opening, KnownPage(cache, path), Decided(cache, path))
    front._server = server = uvicorn.Server(uvicorn.Config(front.app()))
    app, answers = front.app(), []

    async def desk(_scope, _receive, send):
        await send({"type": "http.response.start", "status": 200, "headers": []})
        await send({"type": "http.response.body", "body": b'"the desk"'})

    class Desk:
        def app(self):
            return desk

        def running(self):
            class Running:
                async def __aenter__(self):
                    return self

                async def __aexit__(self, *_):
                    answers.append("closed")

            return Running()

    async def ask(name):
        async def send(message):
            if message["type"] == "http.response.body":
                answers.append(json.loads(message["body"]))

        scope = {"type": "http", "method": "GET", "path": name, "headers": [], "root_path": ""}
        await app(scope, None, send)

    async def session():
        async with front._running(app):
            await ask("/release.json")
            waiting = asyncio.create_task(ask("/picture/track/1"))
            await asyncio.sleep(0)
            if fails:
                opening.set_exception(AssemblerError("no desk"))
                while not server.should_exit:
                    await asyncio.sleep(0.01)
                waiting.cancel()
                return
            opening.set_result(Desk())
            await waiting
            await ask("/release.json")

    with ThreadPoolExecutor(1) as pool:  # another test's Playwright has a loop in this thread
        pool.submit(asyncio.run, session()).result()
    assert answers[0]["tracks"][0]["title"] == "Low Lantern"
    assert answers[0]["decided"] == []
    assert answers[1:] == ([] if fails else ["the desk", "the desk", "closed"])


def test_ctrl_c_before_the_desk_is_open_answers_what_waits(tmp_path, caplog):
    cache, path = known_page(tmp_path)
    opening: Future = Future()
    opening.set_running_or_notify_cancel()
    front = Front(opening, KnownPage(cache, path), Decided(cache, path))
    with listening_socket(0) as sock, ThreadPoolExecutor(2) as pool:
        guard = Guard(front.app(), sock.getsockname()[1])
        serving = pool.submit(front.serve, guard, sock, threading.Event())

        def ask():
            try:
                return urllib.request.urlopen(guard.url + "picture/track/1").status, b""
            except urllib.error.HTTPError as error:
                return error.code, error.read()

        waiting = pool.submit(ask)
        while not (front._server and front._server.server_state.tasks):
            assert not waiting.done()
        front._server.should_exit = True  # as uvicorn does at Ctrl-C
        status, content = waiting.result()
        while not front._desk.get_loop().is_closed():
            pass
        opening.set_result(None)
        serving.result()
    assert status == 503, content
    assert "start `assembler listen` again" in json.loads(content)["findings"][0]["message"]
    assert caplog.text == ""


@pytest.mark.thorough
def test_a_second_session_knows_what_the_first_one_finished(tmp_path):
    path = write_desk(tmp_path)
    with serving(path) as served:
        first = served.settled()
    with serving(path) as served:
        second = served.release()
        edited = served.post("edits", {"revision": second["revision"], "set": {"tracks[2].gap": 4}})
    assert not second["tracks"][0]["settled"]
    for key in ("gain_db", "integrated_lufs", "loudest_from_s", "start_frame", "source"):
        assert second["tracks"][0][key] == first["tracks"][0][key]
    assert edited[0] == 200
    assert "gap: 4" in path.read_text(encoding="utf-8")


def test_ctrl_c_pressed_before_the_server_runs_ends_it_in_order(tmp_path):
    cache, path = known_page(tmp_path)
    opening: Future = Future()
    opening.set_result(None)
    front = Front(opening, KnownPage(cache, path), Decided(cache, path))
    before = signal.getsignal(signal.SIGINT)
    signal.signal(signal.SIGINT, signal.default_int_handler)
    try:
        with ctrl_c_noted() as pressed, listening_socket(0) as sock:
            signal.raise_signal(signal.SIGINT)
            assert pressed.is_set()
            front.serve(Guard(front.app(), sock.getsockname()[1]), sock, pressed)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    finally:
        signal.signal(signal.SIGINT, before)
