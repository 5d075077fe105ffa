"""The listening page's server: the page, its data, edits, sound and pictures."""

from __future__ import annotations

import asyncio
import json
import re
import socket
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

import assembler.proof
from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.listen.decided import Decided
from assembler.listen.document import document
from assembler.listen.edits import edited_text, text_with_moved_track
from assembler.listen.guard import Guard
from assembler.listen.pictures import peaks_json
from assembler.listen.revisions import ConflictError, Revision, Revisions
from assembler.listen.sound import NoSoundError, Sound, Stretch
from assembler.manifest import ManifestFile

HOST = "127.0.0.1"
_PAGE = Path(__file__).parent / "page"
_PAPER = Path(assembler.proof.__file__).parent / "page" / "page.css"
"""The look of the proof, which the page shares."""
_CSS, _JS = "text/css; charset=utf-8", "text/javascript; charset=utf-8"
_FILES = {
    "": (_PAGE / "index.html", "text/html; charset=utf-8"),
    "paper.css": (_PAPER, _CSS),
    "page.css": (_PAGE / "page.css", _CSS),
    **{
        f"{name}.js": (_PAGE / f"{name}.js", _JS)
        for name in ("page", "entries", "player", "waveform")
    },
}
_RANGE = re.compile(r"bytes=(\d*)-(\d*)")
_WATCH_MS = 200
_EXACT, _PREVIEW = "finished", "preview"


class Changes:
    """Wakes every open page when there is something new; may be called from any thread."""

    def __init__(self) -> None:
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Event] = set()

    def attach(self) -> None:
        """Wake the pages of the running event loop."""
        self._loop = asyncio.get_running_loop()

    def __call__(self) -> None:
        """Report a change."""
        if self._loop and not self._loop.is_closed():
            self._loop.call_soon_threadsafe(self._wake)

    def _wake(self) -> None:
        for event in self._waiting:
            event.set()

    async def stream(self) -> AsyncIterator[str]:
        """Yield a server-sent event at once, and one for each change (WHATWG HTML standard)."""
        event = asyncio.Event()
        self._waiting.add(event)
        try:
            while True:
                yield "data: changed\n\n"
                await event.wait()
                event.clear()
        finally:
            self._waiting.discard(event)


class Desk:
    """Answers the page's requests.

    Parameters
    ----------
    revisions
        The manifest.
    sound
        What is played.
    decided
        Which decisions are made.
    changes
        Wakes the pages.
    """

    def __init__(
        self, revisions: Revisions, sound: Sound, decided: Decided, changes: Changes
    ) -> None:
        self._revisions = revisions
        self._sound = sound
        self._decided = decided
        self._changes = changes

    def app(self) -> Starlette:
        """Return the application."""
        get = ["GET"]
        files = [Route(f"/{name}", self._file, methods=get) for name in _FILES]
        routes = [
            *files,
            Route("/release.json", self._document, methods=get),
            Route("/changes", self._stream, methods=get),
            Route("/edits", self._edit, methods=["POST"]),
            Route("/undo", self._undo, methods=["POST"]),
            Route("/redo", self._redo, methods=["POST"]),
            Route("/decided", self._decide, methods=["POST"]),
            Route("/audio/track/{number:int}", self._track, methods=get),
            Route("/audio/join/{first:int}-{second:int}", self._join, methods=get),
            Route("/picture/track/{number:int}", self._picture, methods=get),
        ]
        return Starlette(routes=routes, lifespan=self._running)

    @asynccontextmanager
    async def _running(self, _app: Starlette) -> AsyncIterator[None]:
        self._changes.attach()
        self._sound.settle(self._revisions.current.report)
        watching = asyncio.create_task(self._watch())
        try:
            yield
        finally:
            watching.cancel()

    async def _watch(self) -> None:
        """Read the manifest again when it changes outside."""
        from watchfiles import awatch

        path = self._revisions.path.resolve()
        async for _ in awatch(path.parent, step=_WATCH_MS, recursive=False):
            if await asyncio.to_thread(self._revisions.read_again):
                self._new_revision()

    def _new_revision(self) -> None:
        self._sound.settle(self._revisions.current.report if self._revisions.current.ok else None)
        self._changes()

    async def _file(self, request: Request) -> Response:
        file, kind = _FILES[request.url.path.rpartition("/")[2]]
        return Response(file.read_bytes(), headers={"content-type": kind})

    def _document(self, _request: Request) -> Response:
        return JSONResponse(self._shown())

    async def _stream(self, _request: Request) -> Response:
        return StreamingResponse(self._changes.stream(), media_type="text/event-stream")

    async def _edit(self, request: Request) -> Response:
        body = await _body(request)

        def change(source: ManifestFile) -> str:
            move, values = body.get("move"), body.get("set", {})
            if not isinstance(values, dict):
                raise AssemblerError("`set` must be values by place")
            if move is None:
                return edited_text(source, values)
            if not isinstance(move, dict):
                raise AssemblerError("`move` must be {from: …, to: …}")
            return text_with_moved_track(source, _whole(move.get("from")), _whole(move.get("to")))

        return await self._revise(
            lambda: self._revisions.edit(_whole(body.get("revision")), change)
        )

    async def _undo(self, request: Request) -> Response:
        number = (await _body(request)).get("revision")
        return await self._revise(lambda: self._revisions.undo(_whole(number)))

    async def _redo(self, request: Request) -> Response:
        number = (await _body(request)).get("revision")
        return await self._revise(lambda: self._revisions.redo(_whole(number)))

    async def _decide(self, request: Request) -> Response:
        """Keep which decisions are made; a number that changes opens its decision again."""
        found = (await _body(request)).get("decided")
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            return self._refused(422, "not-written", "`decided` must be a list of texts")
        await asyncio.to_thread(self._decided.keep, found)
        return JSONResponse(self._shown())

    def _shown(self) -> dict[str, Any]:
        return document(self._revisions, self._sound, self._decided)

    async def _revise(self, step: Callable[[], Revision]) -> Response:
        """Make a revision, and return the whole page's data or the reason why not."""
        before = self._revisions.current.number
        try:
            await asyncio.to_thread(step)
        except ConflictError as error:
            self._new_revision()
            return self._refused(409, "conflict", str(error))
        except FindingsError as error:
            findings = [finding.as_json() for finding in error.findings]
            return JSONResponse({"ok": False, "findings": findings}, 422)
        except AssemblerError as error:
            return self._refused(422, "not-written", str(error))
        if self._revisions.current.number != before:
            self._new_revision()
        return JSONResponse(self._shown())

    def _refused(self, status: int, code: str, message: str) -> Response:
        finding = Finding("error", code, "", str(self._revisions.path), 0, message)
        return JSONResponse({"ok": False, "findings": [finding.as_json()]}, status)

    def _track(self, request: Request) -> Response:
        stage = request.query_params.get("stage", "finished")
        play = {"finished": self._sound.track, "source": self._sound.source}.get(stage)
        if play is None:
            return self._refused(404, "no-sound", f"there is no stage `{stage[:40]}`")
        index = request.path_params["number"] - 1
        return self._played(
            request, lambda: play(index, _seconds(request, "from", 0.0), _seconds(request, "to"))
        )

    def _join(self, request: Request) -> Response:
        first, second = request.path_params["first"], request.path_params["second"]
        if second != first + 1:
            return self._refused(404, "no-sound", "a join is between a track and the next")
        before_s = -_seconds(request, "from", -8.0)
        after_s = _seconds(request, "to", 8.0)
        return self._played(request, lambda: self._sound.join(second - 1, before_s, after_s))

    def _played(self, request: Request, stretch: Callable[[], Stretch]) -> Response:
        try:
            found = stretch()
        except AssemblerError as error:
            return self._refused(
                404 if isinstance(error, NoSoundError) else 409, "no-sound", str(error)
            )
        return _ranged(request, found.wav(), _EXACT if found.exact else _PREVIEW)

    def _picture(self, request: Request) -> Response:
        try:
            stretch = self._sound.source(
                request.path_params["number"] - 1,
                _seconds(request, "from", 0.0),
                _seconds(request, "to"),
            )
        except AssemblerError as error:
            return self._refused(404, "no-picture", str(error))
        return JSONResponse(peaks_json(stretch, int(_seconds(request, "width", 800.0))))


async def _body(request: Request) -> dict[str, Any]:
    try:
        found = json.loads(await request.body())
    except (ValueError, RecursionError):
        found = None
    return found if isinstance(found, dict) else {}


def _whole(value: object) -> int:
    return value if isinstance(value, int) and not isinstance(value, bool) else -1


def _seconds(request: Request, name: str, default: float | None = None) -> Any:
    """Return a time from the address; the default where it is missing or no number."""
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError):
        return default
    return value if -1e6 < value < 1e6 else default


def _ranged(request: Request, content: bytes, kind: str) -> Response:
    """Return a WAV file or the part of it that is asked for (RFC 9110, section 14)."""
    headers = {"content-type": "audio/wav", "accept-ranges": "bytes", "x-sound": kind}
    match = _RANGE.fullmatch(request.headers.get("range", ""))
    if not match or not any(match.groups()):
        return Response(content, headers=headers)
    first, last = match.groups()
    start = int(first) if first else max(0, len(content) - int(last))
    end = min(int(last), len(content) - 1) if first and last else len(content) - 1
    if start > end:
        return Response(status_code=416, headers={"content-range": f"bytes */{len(content)}"})
    headers["content-range"] = f"bytes {start}-{end}/{len(content)}"
    return Response(content[start : end + 1], 206, headers=headers)


def listening_socket(port: int) -> socket.socket:
    """Return a socket on the loopback address; port 0 takes a free one.

    Raises
    ------
    AssemblerError
        The port is in use.
    """
    found = socket.socket()
    try:
        found.bind((HOST, port))
        found.listen()  # the first request may come before the server runs
    except (OSError, OverflowError) as error:
        found.close()
        reason = (getattr(error, "strerror", None) or str(error)).lower()
        message = f"port {port}: {reason}: choose another --port"
        raise AssemblerError(message) from error
    return found


def serve(guard: Guard, sock: socket.socket) -> None:
    """Answer requests until Ctrl-C."""
    config = uvicorn.Config(
        guard, log_level="critical", access_log=False, timeout_graceful_shutdown=1, ws="none"
    )
    with suppress(KeyboardInterrupt):  # it ends in order, and then raises the Ctrl-C again
        uvicorn.Server(config).run(sockets=[sock])
