"""Restore a side: resolve what the manifest requests, then repair in a fixed order.

The original is only read. Each step can be left out, so that its effect can be heard. What was
done, with measurements before and after, is reported, following IASA-TC 03 (from memory): the
transfer itself stays unchanged, and restoration is documented and reversible.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import asdict, dataclass, replace
from fractions import Fraction
from functools import partial
from typing import Any, Literal

from assembler.audio import Recording
from assembler.dsp.blocks import Samples, in_pieces, skip
from assembler.dsp.compressor_settings import CompressorSettings
from assembler.dsp.equaliser import FilterBand, equalise
from assembler.manifest.filters import bands_of
from assembler.manifest.playback import Playback
from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration.analysis.hum_pitch import HumStretch
from assembler.restoration.analysis.programme import mean_level
from assembler.restoration.analysis.stereo.delay_path import AUDIBLE_US
from assembler.restoration.analysis.wow import CyclicWow
from assembler.restoration.condition import Condition
from assembler.restoration.measuring import worked_ahead
from assembler.restoration.repair.channels import correct_balance, correct_channels
from assembler.restoration.repair.clicks import declick
from assembler.restoration.repair.delay import align_channels, follow_delay
from assembler.restoration.repair.dropouts import DropoutSpan, dedropout, spans_of
from assembler.restoration.repair.hum import dehum
from assembler.restoration.repair.noise import denoise, measure_noise_print
from assembler.restoration.repair.playback import correct_playback
from assembler.restoration.repair.speed import change_speed
from assembler.restoration.repair.wow import correct_wow

_AROUND_S, _AROUND_HUM_S = 2, 12
"""Sound read before and after a passage, so that the steps have settled."""
_PIECE = 1 << 15
"""Samples handed from step to step: so few that what a step works on stays in the processor's
cache."""
_AHEAD = ("dropouts", "azimuth", "noise", "wow")
"""Steps before which the sound is worked ahead where there is a pool: about as much work is
between them."""
_OF_CHANNELS = {"dc": "dc", "swap_channels": "swap", "invert_polarity": "invert"}
"""Steps that are done in one pass, with the parameter of each."""

Step = Callable[[Iterator[Samples], int], Iterator[Samples]]
"""From a stream and its position in the side, in samples, to the repaired stream."""


@dataclass(frozen=True)
class Resolved:
    """Restoration of a side with every value known."""

    dc: tuple[float, float] | None = None
    """DC offset of left and right, to be removed."""
    swap_channels: bool = False
    """Exchange left and right."""
    invert_polarity: Literal["left", "right", "both"] | None = None
    """Channel whose polarity is inverted."""
    declick: float | None = None
    dropouts: tuple[DropoutSpan, ...] | None = None
    """Those to be repaired, channels as after a swap; None if none are to be."""
    playback: Playback | None = None
    """Standards whose difference is corrected."""
    azimuth_us: float | tuple[float, ...] | None = None
    """Delay of right re left, to be corrected: one, or one per `PATH_STEP_S` from the start."""
    balance_db: float | None = None
    """Gain of left re right."""
    hum: tuple[float, int, tuple[HumStretch, ...]] | None = None
    """Mains frequency on this side in Hz, number of harmonics, and the parts with hum."""
    noise: tuple[int, int, float] | None = None
    """Noise print (start and end in samples) and noise reduction in dB."""
    equaliser: tuple[FilterBand, ...] = ()
    """EQ bands, their frequencies as before the correction of speed."""
    wow: CyclicWow | None = None
    """Cyclic wow, to be corrected."""
    factor: Fraction = Fraction(1)
    """Correction of speed; above 1 the side runs faster."""
    unresolved: tuple[str, ...] = ()
    """Steps whose value should be measured but is not determined; they are left out."""

    def as_json(self) -> dict[str, Any]:
        """Return the values as plain data; `from_json` reads them."""
        return {**asdict(self), "factor": str(self.factor)}

    @classmethod
    def from_json(cls, data: Mapping[str, Any]) -> Resolved:
        """Return the values from the plain data of `as_json`."""
        values: dict[str, Any] = {
            name: tuple(value) if isinstance(value, list) else value for name, value in data.items()
        }
        if played := data.get("playback"):
            values["playback"] = Playback(*played)
        if (spans := data.get("dropouts")) is not None:
            values["dropouts"] = tuple(DropoutSpan(*span) for span in spans)
        if hum := data.get("hum"):
            values["hum"] = (*hum[:2], tuple(map(HumStretch.from_json, hum[2])))
        values["equaliser"] = tuple(map(_band, data.get("equaliser", ())))
        if wow := data.get("wow"):
            values["wow"] = CyclicWow.from_json(wow)
        return cls(**{**values, "factor": Fraction(data["factor"])})

    def values(self) -> dict[str, Any]:
        """Return the value of each step that is done, in order."""
        values = {
            "dc": self.dc,
            "swap_channels": self.swap_channels or None,
            "invert_polarity": self.invert_polarity,
            "declick": self.declick,
            "dropouts": self.dropouts,
            "playback": self.playback,
            "azimuth": self.azimuth_us,
            "balance": self.balance_db,
            "hum": self.hum,
            "noise": self.noise,
            "equaliser": self.equaliser or None,
            "wow": self.wow,
            "speed": None if self.factor == 1 else self.factor,
        }
        return {name: value for name, value in values.items() if value is not None}


def _band(values: Sequence[Any]) -> FilterBand:
    """Return a band from its plain data."""
    *parts, dynamic = values
    return FilterBand._make((*parts, CompressorSettings(**dynamic) if dynamic else None))


def resolve(transfer: Transfer, before: Condition, rate_hz: int) -> Resolved:
    """Return the value of each step that the manifest requests; `auto` is resolved by measurement.

    Parameters
    ----------
    transfer, rate_hz
        The side with the steps requested for it, and its sample rate.
    before
        Readings of the side before restoration.
    """
    channels, restoration = before.channels, transfer.restoration
    sign = -1.0 if restoration.swap_channels else 1.0
    delay_us = _delay_us(restoration.azimuth, before, sign)
    left_db = _measured_if_auto(restoration.balance, channels.balance_db, -sign)
    hum = restoration.hum
    wow = before.wow.cyclic if restoration.wow and not before.wow.refusal else None
    hum_hz = before.hum.mains_hz if hum and before.hum.nominal_hz == hum.mains else None
    unresolved = {
        "azimuth": restoration.azimuth is not None and delay_us is None,
        "balance": restoration.balance == "auto" and left_db is None,
        "hum": hum is not None and hum_hz is None,
        "wow": restoration.wow is not None and wow is None,
    }
    return replace(
        resolve_for_split(restoration, rate_hz),
        dc=channels.dc if restoration.dc else None,
        swap_channels=restoration.swap_channels,
        invert_polarity=restoration.invert_polarity,
        dropouts=spans_of(before.dropouts, rate_hz, is_swapped=restoration.swap_channels)
        if restoration.dropouts
        else None,
        playback=transfer.playback,
        azimuth_us=delay_us,
        balance_db=left_db,
        hum=(hum_hz, hum.harmonics, before.hum.stretches) if hum and hum_hz else None,
        equaliser=tuple(
            band._replace(hz=band.hz / float(restoration.factor)) for band in bands_of(transfer)
        ),
        wow=wow,
        factor=restoration.factor,
        unresolved=tuple(name for name, is_unresolved in unresolved.items() if is_unresolved),
    )


def resolve_for_split(restoration: Restoration, rate_hz: int) -> Resolved:
    """Return the steps that are needed to find songs: declick and noise reduction.

    The other steps move no cut: DC offset and hum are left out of the levels by which songs are
    found, and swapped, inverted, delayed or balanced channels are as far above their noise as
    before.
    """
    noise = restoration.noise
    return Resolved(
        declick=restoration.declick.strength if restoration.declick else None,
        noise=(int(noise.from_ * rate_hz), int(noise.to * rate_hz), noise.reduction)
        if noise
        else None,
    )


def _delay_us(
    azimuth: Literal["auto", "follow"] | float | None, before: Condition, sign: float
) -> float | tuple[float, ...] | None:
    if azimuth != "follow":
        return _measured_if_auto(azimuth, before.channels.delay_us, sign)
    path = before.delay_path
    if path.reason:
        return None
    if abs(path.largest_us) < AUDIBLE_US:
        return 0.0
    return tuple(sign * delay_us for delay_us in path.delays_us)


def _measured_if_auto(
    value: Literal["auto"] | float | None, measured: float | None, sign: float
) -> float | None:
    if value != "auto":
        return value
    return None if measured is None else sign * measured


def restored_passage(
    recording: Recording,
    resolved: Resolved,
    start: int,
    end: int,
    without: Collection[str] = (),
    *,
    pool: Executor | None = None,
) -> Iterator[Samples]:
    """Restore a passage of a side, except for its speed: end − start samples.

    Parameters
    ----------
    recording, resolved
        The side, which is only read, and its steps.
    start, end
        First sample and the one after the last, at the side's rate.
    without
        Names of steps to leave out.
    pool
        Its workers run parts of the steps side by side.

    Raises
    ------
    SourceError
        The side can't be read.
    """
    return _passage(_steps(recording, resolved, without), recording, start, end, pool)


def noise_print_levels(
    recording: Recording, resolved: Resolved
) -> tuple[float | None, float | None]:
    """Measure the level of the noise print before and after noise reduction, all other steps done.

    Returns
    -------
    before, after
        dBFS above `WEIGHTED_HZ`; None for silence.

    Raises
    ------
    SourceError
        The side can't be read.
    """
    assert resolved.noise is not None
    first, last, _ = resolved.noise
    before, after = (
        mean_level(restored_passage(recording, resolved, first, last, without), recording.rate_hz)
        for without in (("noise",), ())
    )
    return before, after


def correct_speed(blocks: Iterator[Samples], rate_hz: int, resolved: Resolved) -> Iterator[Samples]:
    """Correct the speed: the number of samples is divided by the factor."""
    return blocks if resolved.factor == 1 else change_speed(blocks, rate_hz, resolved.factor)


def _steps(recording: Recording, resolved: Resolved, without: Collection[str]) -> dict[str, Step]:
    """Return the steps before speed, in order."""
    rate_hz = recording.rate_hz
    repairs: dict[str, Callable[[Any, Iterator[Samples], int], Iterator[Samples]]] = {
        "channels": lambda changes, blocks, _: correct_channels(blocks, **changes),
        "declick": lambda strength, blocks, _: declick(blocks, rate_hz, strength),
        "dropouts": lambda spans, blocks, start: dedropout(blocks, rate_hz, spans, start),
        "playback": lambda playback, blocks, _: correct_playback(blocks, rate_hz, playback),
        "azimuth": partial(_aligned, rate_hz),
        "balance": lambda left_db, blocks, _: correct_balance(blocks, left_db),
        "hum": lambda hum, blocks, start: dehum(blocks, rate_hz, hum[1], hum[2], start),
    }
    values = {name: value for name, value in resolved.values().items() if name not in without}
    changes = {change: values[name] for name, change in _OF_CHANNELS.items() if name in values}
    if changes:
        values = {"channels": changes, **values}
    steps: dict[str, Step] = {
        name: partial(repairs[name], value) for name, value in values.items() if name in repairs
    }
    if resolved.noise and "noise" not in without:
        first, last, reduction_db = resolved.noise
        noise = measure_noise_print(_passage(steps, recording, first, last), rate_hz)
        steps["noise"] = lambda blocks, _: denoise(blocks, rate_hz, noise, reduction_db)
    if resolved.equaliser and "equaliser" not in without:
        steps["equaliser"] = lambda blocks, _: equalise(blocks, resolved.equaliser, rate_hz)
    if (wow := resolved.wow) and "wow" not in without:
        steps["wow"] = lambda blocks, start: correct_wow(blocks, rate_hz, wow, start)
    return steps


def _aligned(
    rate_hz: int, delay_us: float | tuple[float, ...], blocks: Iterator[Samples], start: int
) -> Iterator[Samples]:
    if isinstance(delay_us, tuple):
        return follow_delay(blocks, rate_hz, delay_us, start)
    return align_channels(blocks, rate_hz, delay_us)


def _passage(
    steps: Mapping[str, Step],
    recording: Recording,
    start: int,
    end: int,
    pool: Executor | None = None,
) -> Iterator[Samples]:
    """Run the steps over a passage, with some sound around it so that they have settled."""
    around = (_AROUND_HUM_S if "hum" in steps else _AROUND_S) * recording.rate_hz
    read_from = max(0, start - around)
    blocks = recording.blocks(read_from, min(recording.frames, end + around))
    for name, step in steps.items():
        if pool and name in _AHEAD:
            blocks = worked_ahead(blocks, pool)
        blocks = step(in_pieces(blocks, _PIECE), read_from)
    return skip(blocks, start - read_from, end - start)
