"""Mending of a side: what is asked, settled by what was measured, done in a fixed order.

The original is only read. Each step can be left out, so that it can be heard what it does; what was
done, with what was measured before and after, goes into the report, in the spirit of IASA-TC 03
(the transfer stays as it is, restoration is documented and can be undone; from memory).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from typing import Any, Literal

from assembler.audio import Recording
from assembler.dsp.blocks import Samples
from assembler.manifest.transfers import Restoration
from assembler.restoration.analysis.hum import dehum
from assembler.restoration.analysis.programme import mean_level
from assembler.restoration.analysis.speed import at_speed
from assembler.restoration.condition import Condition
from assembler.restoration.repair.channels import balanced, inverted, swapped, without_dc
from assembler.restoration.repair.clicks import declick
from assembler.restoration.repair.delay import aligned
from assembler.restoration.repair.noise import NoiseProfile, denoise, noise_profile

_AROUND_S, _AROUND_HUM_S = 2, 12
"""Sound before and after a stretch that is mended by itself, for what needs to settle."""

Step = Callable[[Iterator[Samples], int], Iterator[Samples]]


@dataclass(frozen=True)
class Resolved:
    """What is done to a side, every value known.

    Attributes
    ----------
    dc
        Of left and right, to be taken off.
    swap_channels
        The channels are exchanged.
    invert_polarity
        The channel whose polarity is turned.
    declick
        Strength.
    azimuth_us
        By how much the right is late.
    balance_db
        By how much the left is raised.
    hum
        Pitch of the mains on this side in Hz, and harmonics.
    noise
        Where there is noise alone, from and to in samples, and the dB to take.
    factor
        How much faster it runs.
    unresolved
        Steps that asked for a value which could not be measured; they are left out.
    """

    dc: tuple[float, float] | None = None
    swap_channels: bool = False
    invert_polarity: Literal["left", "right", "both"] | None = None
    declick: float | None = None
    azimuth_us: float | None = None
    balance_db: float | None = None
    hum: tuple[float, int] | None = None
    noise: tuple[int, int, float] | None = None
    factor: Fraction = Fraction(1)
    unresolved: tuple[str, ...] = ()

    def as_json(self) -> dict[str, Any]:
        """Give it as plain data; `of_json` reads it."""
        return {**asdict(self), "factor": str(self.factor)}

    @classmethod
    def of_json(cls, told: Mapping[str, Any]) -> Resolved:
        """Read what `as_json` gave."""
        plain: dict[str, Any] = {k: tuple(v) if isinstance(v, list) else v for k, v in told.items()}
        return cls(**{**plain, "factor": Fraction(told["factor"])})

    def values(self) -> dict[str, Any]:
        """Give the value of each step that is taken, in order."""
        return {
            name: value
            for name, value in (
                ("dc", self.dc),
                ("swap_channels", self.swap_channels or None),
                ("invert_polarity", self.invert_polarity),
                ("declick", self.declick),
                ("azimuth", self.azimuth_us),
                ("balance", self.balance_db),
                ("hum", self.hum),
                ("noise", self.noise),
                ("speed", None if self.factor == 1 else self.factor),
            )
            if value is not None
        }


def resolve(restoration: Restoration, before: Condition, rate_hz: int) -> Resolved:
    """Settle what is asked by what was measured.

    Parameters
    ----------
    restoration
        What is asked.
    before
        Of the side as it is.
    rate_hz
        Of the side.
    """
    channels = before.channels
    turned = -1.0 if restoration.swap_channels else 1.0
    right_late_us = _known(restoration.azimuth, _times(turned, channels.offset_us))
    left_up_db = _known(restoration.balance, _times(-turned, channels.balance_db))
    hum = restoration.hum
    hum_hz = before.hum.mains_hz if hum and before.hum.nominal_hz == hum.mains else None
    unresolved = (
        ("azimuth", restoration.azimuth == "auto" and right_late_us is None),
        ("balance", restoration.balance == "auto" and left_up_db is None),
        ("hum", hum is not None and hum_hz is None),
    )
    return replace(
        resolve_for_split(restoration, rate_hz),
        dc=channels.dc if restoration.dc else None,
        swap_channels=restoration.swap_channels,
        invert_polarity=restoration.invert_polarity,
        azimuth_us=right_late_us,
        balance_db=left_up_db,
        hum=(hum_hz, hum.harmonics) if hum and hum_hz else None,
        factor=restoration.factor,
        unresolved=tuple(name for name, is_unresolved in unresolved if is_unresolved),
    )


def resolve_for_split(restoration: Restoration, rate_hz: int) -> Resolved:
    """Resolve the steps that songs are found by, which need no reading of the side: clicks, noise.

    The other steps move no cut. Offset and hum are left out of the levels that songs are found by;
    exchanged, inverted, delayed or balanced channels stand as far over their noise as before.
    """
    noise = restoration.noise
    return Resolved(
        declick=restoration.declick.strength if restoration.declick else None,
        noise=(int(noise.from_ * rate_hz), int(noise.to * rate_hz), noise.reduction)
        if noise
        else None,
    )


def _known(asked: Literal["auto"] | float | None, found: float | None) -> float | None:
    return found if asked == "auto" else asked


def _times(sign: float, value: float | None) -> float | None:
    return None if value is None else sign * value


def in_place(
    recording: Recording,
    settled: Resolved,
    start: int,
    end: int,
    without: Collection[str] = (),
) -> Iterator[Samples]:
    """Repair a stretch of a side in all but its speed.

    Parameters
    ----------
    recording
        The side, which is only read.
    settled
        What to do.
    start, end
        First sample and the one after the last, at the side's rate.
    without
        Names of steps to leave out.

    Yields
    ------
    ndarray of float32, shape (frames, 2)
        As many samples as were asked for.

    Raises
    ------
    SourceError
        The side can't be read.
    """
    return _before(_steps(recording, settled, without), recording, start, end)


def noise_around(recording: Recording, settled: Resolved) -> tuple[float | None, float | None]:
    """Measure the noise print before and after the noise reduction, all other steps done.

    Both are the mean level of the same stretch, by the same meter.

    Parameters
    ----------
    recording
        The side, which is only read.
    settled
        What is done to it, with its `noise`.

    Returns
    -------
    tuple of float
        dBFS above `WEIGHTED_HZ`; None for silence.

    Raises
    ------
    SourceError
        The side can't be read.
    """
    assert settled.noise is not None
    first, last, _ = settled.noise
    was, remains = (
        mean_level(in_place(recording, settled, first, last, without), recording.rate_hz)
        for without in (("noise",), ())
    )
    return was, remains


def run_faster(blocks: Iterator[Samples], rate_hz: int, settled: Resolved) -> Iterator[Samples]:
    """Run sound at its right speed: as many samples as came in, divided by the factor."""
    return blocks if settled.factor == 1 else at_speed(blocks, rate_hz, settled.factor)


def _steps(
    recording: Recording, settled: Resolved, without: Collection[str]
) -> list[tuple[str, Step]]:
    """Give the steps before speed, in order."""
    values = settled.values()
    makers: dict[str, Callable[[Any], Step]] = {
        "dc": lambda dc: lambda blocks, rate_hz: without_dc(blocks, rate_hz, dc),
        "swap_channels": lambda _: lambda blocks, _rate_hz: swapped(blocks),
        "invert_polarity": lambda which: lambda blocks, _rate_hz: inverted(blocks, which),
        "declick": lambda s: lambda blocks, rate_hz: declick(blocks, rate_hz, s),
        "azimuth": lambda us: lambda blocks, rate_hz: aligned(blocks, rate_hz, us),
        "balance": lambda db: lambda blocks, _rate_hz: balanced(blocks, db),
        "hum": lambda h: lambda blocks, rate_hz: dehum(blocks, rate_hz, *h),
    }
    steps = [(n, makers[n](v)) for n, v in values.items() if n in makers and n not in without]
    if settled.noise and "noise" not in without:
        first, last, reduce_db = settled.noise
        profile = _profile(steps, recording, first, last)
        steps.append(
            ("noise", lambda blocks, rate_hz: denoise(blocks, rate_hz, profile, reduce_db))
        )
    return steps


def _profile(
    steps: list[tuple[str, Step]], recording: Recording, first: int, last: int
) -> NoiseProfile:
    """Learn the noise where it is alone, as it is after the steps before."""
    return noise_profile(_before(steps, recording, first, last), recording.rate_hz)


def _before(
    steps: list[tuple[str, Step]], recording: Recording, start: int, end: int
) -> Iterator[Samples]:
    """Run the steps over a stretch, with some sound around it for what must settle."""
    rate_hz = recording.rate_hz
    around_s = _AROUND_HUM_S if "hum" in dict(steps) else _AROUND_S
    read_from = max(0, start - around_s * rate_hz)
    sound = recording.blocks(read_from, min(recording.frames, end + around_s * rate_hz))
    for _, step in steps:
        sound = step(sound, rate_hz)
    return _between(sound, start - read_from, end - read_from)


def _between(blocks: Iterator[Samples], start: int, end: int) -> Iterator[Samples]:
    for block in blocks:
        if start < len(block):
            yield block[max(0, start) : end]
        start, end = start - len(block), end - len(block)
        if end <= 0:
            return
