"""Find mono files that are the two channels of one recording, by their names."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from assembler.audio.probe import probe
from assembler.errors import AssemblerError

_CHANNEL = re.compile(r"^(.+?)[\s._([-]+(l|r|left|right)[)\]]?$", re.IGNORECASE)


def paired(files: Sequence[Path]) -> list[tuple[Path, ...]]:
    """Pair mono files whose names differ only in left and right; the order is kept.

    Examples
    --------
    ``side-L.wav`` and ``side-R.wav`` are a pair, ``one.wav`` and ``two.wav`` are not.
    """
    channels: dict[tuple[Path, str, str], dict[str, Path]] = {}
    for path in files:
        if match := _CHANNEL.match(path.stem):
            name = (path.parent, match[1].lower(), path.suffix.lower())
            channels.setdefault(name, {})[match[2][0].lower()] = path
    pairs = {p: (c["l"], c["r"]) for c in channels.values() if len(c) == 2 for p in c.values()}
    pairs = {path: pair for path, pair in pairs.items() if all(map(_is_mono, pair))}
    return list(dict.fromkeys(pairs.get(path, (path,)) for path in files))


def common_stem(files: Sequence[Path]) -> str:
    """Return the name of a recording: its file's stem, or what the stems of a pair share."""
    match = _CHANNEL.match(files[0].stem) if len(files) == 2 else None
    return match[1] if match else files[0].stem


def _is_mono(path: Path) -> bool:
    try:
        return probe(path).channels == 1
    except AssemblerError:
        return False
