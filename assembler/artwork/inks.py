"""Colours of a PDF as inks: process colours, grey, RGB or spots (ISO 32000-1, 8.6)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

PROCESS = ("Cyan", "Magenta", "Yellow", "Black")
_DEVICE = {
    "DeviceGray": "gray", "G": "gray", "CalGray": "gray", "DeviceRGB": "rgb", "RGB": "rgb",
    "CalRGB": "rgb", "DeviceCMYK": "cmyk", "CMYK": "cmyk", "Lab": "lab", "Pattern": "pattern",
}  # fmt: skip
_OF_COMPONENTS = {1: "gray", 3: "rgb", 4: "cmyk"}
_OF_JPEG_2000 = {12: "cmyk", 14: "lab", 16: "rgb", 17: "gray", 18: "rgb"}
"""ISO/IEC 15444-1, I.5.3.3, and 15444-2: enumerated colour spaces (from memory)."""
_HEADER_BYTES = 65_536


@dataclass(frozen=True)
class Space:
    """A colour space: its kind, and the names of its inks if these have names."""

    kind: str
    """gray, rgb, cmyk, lab, spot, pattern or unknown."""
    inks: tuple[str, ...] = ()

    @property
    def spots(self) -> tuple[str, ...]:
        """Return the inks that are no process colours."""
        return tuple(ink for ink in self.inks if ink not in (*PROCESS, "None"))


@dataclass(frozen=True)
class Ink:
    """A colour."""

    space: Space
    values: tuple[float, ...] = ()

    @property
    def cmyk(self) -> tuple[float, float, float, float] | None:
        """Return the shares of the process colours; None where they are not known."""
        kind, values = self.space.kind, self.values
        if kind == "gray" and len(values) == 1:
            return 0, 0, 0, 1 - values[0]
        if kind == "cmyk" and len(values) == 4:
            return values[0], values[1], values[2], values[3]
        if kind == "spot" and not self.space.spots and len(values) == len(self.space.inks):
            of = dict(zip(self.space.inks, values, strict=True))
            cyan, magenta, yellow, black = (of.get(name, 0.0) for name in PROCESS)
            return cyan, magenta, yellow, black
        return None

    @property
    def is_white(self) -> bool:
        """Return whether it is the paper."""
        if self.space.kind == "rgb":
            return self.values == (1, 1, 1)
        return self.cmyk is not None and max(self.cmyk) == 0

    @property
    def is_rich_black(self) -> bool:
        """Return whether it is a black of more than one ink."""
        if self.cmyk is None:
            return False
        *colours, black = self.cmyk
        return (black >= 0.85 and sum(colours) >= 0.1) or (black >= 0.5 and min(colours) >= 0.5)


BLACK = Ink(Space("gray"), (0,))


def space_of(named: Any, resources: Any, depth: int = 0) -> Space:
    """Return the colour space that a content stream, an image or a shading names.

    Parameters
    ----------
    named
        A name or an array.
    resources
        Where names are looked up.
    depth
        Of nested spaces.
    """
    if depth > 4:
        return Space("unknown")
    if isinstance(named, str) or str(named).startswith("/"):
        name = str(named).removeprefix("/")
        if name in _DEVICE:
            return Space(_DEVICE[name])
        table = resources.get("/ColorSpace") if resources is not None else None
        found = table.get(f"/{name}") if table is not None else None
        return space_of(found, None, depth + 1) if found is not None else Space("unknown")
    try:
        return _of_array(list(named), resources, depth)
    except (TypeError, ValueError, IndexError, KeyError, AttributeError):
        return Space("unknown")


def space_of_image(image: Any, resources: Any) -> Space:
    """Return the colour space of an image; JPEG 2000 may have it in its own data."""
    named = image.get("/ColorSpace")
    if named is not None:
        return space_of(named, resources)
    if "/JPXDecode" in str(image.get("/Filter", "")):
        raw = bytes(image.read_raw_bytes()[:_HEADER_BYTES])
        at = raw.find(b"colr")
        if at >= 0 and raw[at + 4 : at + 5] == b"\x01":
            code = int.from_bytes(raw[at + 7 : at + 11], "big")
            return Space(_OF_JPEG_2000.get(code, "unknown"))
    return Space("unknown")


def _of_array(parts: Sequence[Any], resources: Any, depth: int) -> Space:
    kind = str(parts[0]).removeprefix("/")
    if kind in ("Indexed", "I"):
        return space_of(parts[1], resources, depth + 1)
    if kind == "ICCBased":
        return Space(_OF_COMPONENTS.get(int(parts[1].get("/N", 0)), "unknown"))
    if kind == "Separation":
        return Space("spot", (str(parts[1]).removeprefix("/"),))
    if kind == "DeviceN":
        return Space("spot", tuple(str(ink).removeprefix("/") for ink in parts[1]))
    return Space(_DEVICE.get(kind, "unknown"))
