"""Playback standards of tape: the time constants of each at each tape speed.

The figures are those of IEC 60094-1 (IEC1, IEC2, cassette types) and of the NAB standard of 1965,
as listed in IASA-TC 04, section 5.4 (all from memory). IEC1 is also called CCIR. NAB and IEC2 have
the same figures.
"""

from __future__ import annotations

from typing import Literal, NamedTuple

Standard = Literal["nab", "iec1", "iec2", "type1", "type2"]
TAPE_SPEEDS = (38, 19, 9.5, 4.75)
"""In cm/s."""
_NAMES: dict[str, str] = {
    "nab": "NAB", "iec1": "IEC1", "iec2": "IEC2", "type1": "type I", "type2": "type II",
}  # fmt: skip


class TimeConstants(NamedTuple):
    """The flux on the tape at equal level, (1 + 1 / (s · low)) / (1 + s · high), in microseconds.

    Attributes
    ----------
    low_us
        Where bass begins to rise; None where it does not.
    high_us
        Where treble begins to fall.
    """

    low_us: float | None
    high_us: float


_NAB = TimeConstants(3180, 50)
_SLOW = TimeConstants(3180, 90)
CONSTANTS: dict[tuple[Standard, float], TimeConstants] = {
    ("nab", 38): _NAB,
    ("nab", 19): _NAB,
    ("nab", 9.5): _SLOW,
    ("iec1", 38): TimeConstants(None, 35),
    ("iec1", 19): TimeConstants(None, 70),
    ("iec1", 9.5): _SLOW,
    ("iec2", 38): _NAB,
    ("iec2", 19): _NAB,
    ("iec2", 9.5): _SLOW,
    ("type1", 4.75): TimeConstants(3180, 120),
    ("type2", 4.75): TimeConstants(3180, 70),
}
"""`type1` is the ferric cassette; `type2` also holds for cassettes of types III and IV."""


class Playback(NamedTuple):
    """A tape that was played by one standard and recorded by another."""

    played: Standard
    recorded: Standard
    speed: float

    @property
    def constants(self) -> tuple[TimeConstants, TimeConstants]:
        """The time constants it was played with, and those it was recorded with."""
        return CONSTANTS[self.played, self.speed], CONSTANTS[self.recorded, self.speed]

    @property
    def text(self) -> str:
        """Both standards with the tape speed."""
        return f"{_NAMES[self.played]} to {_NAMES[self.recorded]} at {self.speed:g} cm/s"


def tape_speed_of(text: str) -> float:
    """Return a tape speed in cm/s.

    Raises
    ------
    ValueError
        It is no tape speed.
    """
    plain = text.strip().lower().removesuffix("cm/s").strip().replace(",", ".")
    for speed in TAPE_SPEEDS:
        if plain in (str(speed), f"{speed:.1f}", f"{speed:.2f}"):
            return float(speed)
    raise ValueError(f"`{text[:40]}` is not a tape speed: write 38, 19, 9.5 or 4.75 cm/s")


def mismatch(playback: Playback) -> str:
    """Return why a pair of standards can't be used at its speed; empty if it can."""
    for standard in (playback.played, playback.recorded):
        if (standard, playback.speed) not in CONSTANTS:
            known = [f"`{name}`" for name, speed in CONSTANTS if speed == playback.speed]
            return f"no `{standard}` at {playback.speed:g} cm/s: use {' or '.join(known)}"
    return ""
