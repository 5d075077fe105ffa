"""Who may use the page: this machine's browser, with the address that was printed.

The server listens on the loopback address alone. Its address has a random token. A request must
name
this server in its Host header, so that no other site's name can be pointed at it (DNS rebinding);
if it has an Origin it must be the page's own, so that no other page can read or edit (WHATWG
Fetch and HTML standards; from memory).
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass, field

from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

MOST_BODY_BYTES = 100_000
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_HEADERS = (
    (b"content-security-policy", _POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"referrer-policy", b"no-referrer"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cache-control", b"no-store"),
)


@dataclass(frozen=True)
class Guard:
    """Refuses every request that is not the page's own.

    Attributes
    ----------
    app
        The application behind it.
    port
        The server's port.
    token
        First part of every path.
    """

    app: ASGIApp
    port: int
    token: str = field(default_factory=lambda: secrets.token_urlsafe(24))

    @property
    def url(self) -> str:
        """The page's address."""
        return f"http://127.0.0.1:{self.port}/{self.token}/"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            if scope["type"] == "lifespan":
                await self.app(scope, receive, send)
            return
        refusal = self._refusal(scope)
        if refusal:
            await PlainTextResponse(refusal, 403)(scope, receive, _with_headers(send))
            return
        path = scope["path"].removeprefix(f"/{self.token}")
        inside = {**scope, "path": path, "raw_path": path.encode(), "root_path": ""}
        await self.app(inside, _bounded(receive), _with_headers(send))

    def _refusal(self, scope: Scope) -> str:
        headers = Headers(scope=scope)
        names = [f"{host}:{self.port}" for host in ("127.0.0.1", "localhost")]
        if headers.get("host") not in names:
            return "this server answers to its own address only"
        origin = headers.get("origin")
        if origin is not None and origin not in [f"http://{name}" for name in names]:
            return "a page of another origin may not use this server"
        if headers.get("sec-fetch-site", "none") not in ("none", "same-origin"):
            return "a page of another origin may not use this server"
        given = scope["path"].split("/")[1].encode()
        if not secrets.compare_digest(given, self.token.encode()):
            return "the address is incomplete: use the one that `assembler listen` printed"
        is_json = headers.get("content-type", "").partition(";")[0] == "application/json"
        if scope["method"] == "POST" and not is_json:
            return "an edit must be JSON"
        return ""


def _with_headers(send: Send) -> Send:
    async def with_headers(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", ()), *_HEADERS]
        await send(message)

    return with_headers


def _bounded(receive: Receive) -> Receive:
    left = MOST_BODY_BYTES

    async def bounded() -> Message:
        nonlocal left
        message = await receive()
        left -= len(message.get("body", b""))
        return {"type": "http.disconnect"} if left < 0 else message

    return bounded
