"""Text written as a YAML scalar."""

from __future__ import annotations

import json
import re

_PLAIN = re.compile(r"[^\W\d_][\w '().,/!&-]*[\w).!]", re.UNICODE)
_NOT_TEXT = re.compile(r"(?:null|true|false|yes|no|on|off)", re.IGNORECASE)


def yaml_text(text: str) -> str:
    """Return a text as YAML, quoted where it must be; JSON's quotes are valid YAML."""
    plain = _PLAIN.fullmatch(text) and not _NOT_TEXT.fullmatch(text)
    return text if plain else json.dumps(text, ensure_ascii=False)
