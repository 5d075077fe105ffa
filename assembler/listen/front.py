"""What answers first: the page itself, and its data as it was known last; then all the rest.

The code that reads, measures and plays sound is loaded meanwhile.
"""

from __future__ import annotations

import asyncio
import signal
import socket
import threading
from collections.abc import AsyncIterator, Callable, Iterator
from concurrent.futures import Future
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING

import uvicorn
from starlette.applications import Starlette
from starlette.responses import JSONResponse, Response
from starlette.routing import Mount
from starlette.types import ASGIApp, Receive, Scope, Send

import assembler
from assembler.errors import AssemblerError
from assembler.findings import Finding
from assembler.listen.decided import Decided
from assembler.listen.guard import Guard
from assembler.listen.known_page import KnownPage

if TYPE_CHECKING:
    from assembler.listen.server import Desk

HOST = "127.0.0.1"
_PAGE = Path(__file__).parent / "page"
_PAPER = Path(assembler.__file__).parent / "proof" / "page" / "page.css"
"""The look of the proof, which the page shares."""
_ENDED = "the program was ended: start `assembler listen` again"
_CSS, _JS = "text/css; charset=utf-8", "text/javascript; charset=utf-8"
_FILES = {
    "": (_PAGE / "index.html", "text/html; charset=utf-8"),
    "paper.css": (_PAPER, _CSS),
    "page.css": (_PAGE / "page.css", _CSS),
    **{script.name: (script, _JS) for script in sorted(_PAGE.glob("*.js"))},
}


_ended = JSONResponse(
    {"ok": False, "findings": [Finding("error", "ended", "", "", 0, _ENDED).as_json()]}, 503
)


@contextmanager
def ctrl_c_noted() -> Iterator[threading.Event]:
    """Note Ctrl-C in place of raising it, while several threads import.

    Raised in the middle of an import it would leave that import's lock held for ever.

    Yields
    ------
    threading.Event
        Set once Ctrl-C is pressed.
    """
    pressed = threading.Event()
    before = signal.getsignal(signal.SIGINT)
    if before is signal.SIG_IGN or threading.current_thread() is not threading.main_thread():
        yield pressed
        return
    signal.signal(signal.SIGINT, lambda _signal, _frame: pressed.set())
    try:
        yield pressed
    finally:
        signal.signal(signal.SIGINT, before)


class _Server(uvicorn.Server):
    """A server that an event can end; it calls `ending` before it waits for its answers."""

    def __init__(
        self, config: uvicorn.Config, ending: Callable[[], None], ended: threading.Event
    ) -> None:
        super().__init__(config)
        self._ending = ending
        self._ended = ended

    async def on_tick(self, counter: int) -> bool:
        return await super().on_tick(counter) or self._ended.is_set()

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        self._ending()
        await super().shutdown(sockets)


class Front:
    """Answers until the desk is opened, and passes on to it what it can't answer.

    Parameters
    ----------
    opening
        The desk, once it is opened.
    known
        The page as it was shown last.
    decided
        Which decisions are made.
    """

    def __init__(self, opening: Future[Desk], known: KnownPage, decided: Decided) -> None:
        self._opening = opening
        self._known = known
        self._decided = decided
        self._desk: asyncio.Future[ASGIApp] | None = None
        self._server: uvicorn.Server | None = None

    def app(self) -> Starlette:
        """Return the application."""
        return Starlette(routes=[Mount("/", self._answer)], lifespan=self._running)

    def serve(self, guard: Guard, sock: socket.socket, pressed: threading.Event) -> None:
        """Answer requests until Ctrl-C, which may have been pressed already (`ctrl_c_noted`).

        Raises
        ------
        AssemblerError
            The desk can't be opened.
        """
        config = uvicorn.Config(
            guard, log_level="critical", access_log=False, timeout_graceful_shutdown=1, ws="none"
        )
        self._server = _Server(config, self._end, pressed)
        self._server.run(sockets=[sock])
        self._opening.result()

    def _end(self) -> None:
        """Answer what waits for the desk: it is not opened any more."""
        if self._desk and not self._desk.done():
            self._desk.set_result(_ended)

    @asynccontextmanager
    async def _running(self, _app: Starlette) -> AsyncIterator[None]:
        self._desk = asyncio.get_running_loop().create_future()
        running = asyncio.create_task(self._run(self._desk))
        try:
            yield
        finally:
            running.cancel()
            with suppress(asyncio.CancelledError):
                await running

    async def _run(self, desk: asyncio.Future[ASGIApp]) -> None:
        """Run the desk once it is opened; end where it can't be."""
        try:
            opened = await asyncio.wrap_future(self._opening)
        except Exception:  # `serve` raises it again
            assert self._server
            self._server.should_exit = True
            return
        if desk.done():
            return
        async with opened.running():
            desk.set_result(opened.app())
            await asyncio.Event().wait()

    async def _answer(self, scope: Scope, receive: Receive, send: Send) -> None:
        assert self._desk
        name, known = scope["path"].removeprefix("/"), self._known.document
        answer: ASGIApp
        if name in _FILES:
            file, kind = _FILES[name]
            answer = Response(file.read_bytes(), headers={"content-type": kind})
        elif name == "release.json" and known and not self._desk.done():
            answer = JSONResponse({**known, "decided": self._decided.texts})
        else:
            answer = await asyncio.shield(self._desk)
        await answer(scope, receive, send)


def listening_socket(port: int) -> socket.socket:
    """Return a socket on the loopback address; with port 0 on a free port.

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
