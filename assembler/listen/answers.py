"""What requests ask for, and what is answered: JSON bodies, times, parts of WAV files."""

from __future__ import annotations

import json
import re
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from assembler.listen.stretch import Stretch

_RANGE = re.compile(r"bytes=(\d*)-(\d*)")
_EXACT, _PREVIEW = "finished", "preview"


async def body_of(request: Request) -> dict[str, Any]:
    """Return a request's JSON; empty where it is no mapping."""
    try:
        found = json.loads(await request.body())
    except (ValueError, RecursionError):
        found = None
    return found if isinstance(found, dict) else {}


def whole(value: object) -> int:
    """Return a whole number of a request; −1 where it is none."""
    return value if isinstance(value, int) and not isinstance(value, bool) else -1


def number_in(request: Request, name: str, default: float | None = None) -> Any:
    """Return a number from the address; the default where it is missing or no number."""
    try:
        value = float(request.query_params[name])
    except (KeyError, ValueError):
        return default
    return value if -1e6 < value < 1e6 else default


def names_in(request: Request, name: str) -> tuple[str, ...]:
    """Return names from the address, separated by commas."""
    found = request.query_params.get(name, "")
    return tuple(one.strip() for one in found.split(",") if one.strip())


def ranged(request: Request, stretch: Stretch) -> Response:
    """Return a WAV file or the part of it that is asked for (RFC 9110, section 14)."""
    content = stretch.wav()
    kind = _EXACT if stretch.exact else _PREVIEW
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
