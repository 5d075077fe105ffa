"""Wake the open pages when there is something new."""

from __future__ import annotations

import asyncio
from collections.abc import AsyncIterator


class Changes:
    """Wakes every open page; may be called from any thread."""

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
