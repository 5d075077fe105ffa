"""A text as it is written in YAML."""

from __future__ import annotations

import json
import re

_PLAIN = re.compile(r"[^\W\d_][\w '().,/!&-]*[\w).!]", re.UNICODE)
_MEANT_OTHERWISE = re.compile(r"(?:null|true|false|yes|no|on|off)", re.IGNORECASE)


def yaml_text(text: str) -> str:
    """Write a text as YAML, quoted where it must be; JSON's quotes are YAML's."""
    plain = _PLAIN.fullmatch(text) and not _MEANT_OTHERWISE.fullmatch(text)
    return text if plain else json.dumps(text, ensure_ascii=False)
