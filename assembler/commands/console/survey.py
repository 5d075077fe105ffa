"""The survey of a side in a terminal: measurements, faults, remedies."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from assembler.commands.console.rich_console import new_console
from assembler.restoration.analysis.hum_pitch import pitch_text, where_text
from assembler.restoration.analysis.stereo.delay_path import DelayPathReading
from assembler.restoration.survey.paste import side_entry
from assembler.restoration.survey.survey import Survey
from assembler.text import clock_text, counted, decimal, signed


def print_survey(name: str, side: Survey, files: Sequence[str] = ()) -> None:
    """Print what was measured on a side, then each fault with its remedy.

    Parameters
    ----------
    name
        Of the side.
    side
        Its survey.
    files
        Its file, or left and right, to be pasted with it; none if the side is in a manifest.
    """
    console = new_console()
    console.print(Text(name, style="bold").append(f"  {' + '.join(side.files)}", style="dim"))
    table = Table.grid(padding=(0, 2))
    table.add_column(no_wrap=True, style="dim")
    table.add_column(overflow="fold")
    for what, value in _facts(side):
        table.add_row(what, Text(value))
    console.print(table)
    is_piped = not console.is_terminal
    for finding in side.findings:
        text = Text("\n").append(finding.measured, style="yellow")
        console.print(text.append(f" [{finding.code}]", style="dim"), soft_wrap=is_piped)
        remedy = (
            Text(f"  {finding.remedy}") if is_piped else Padding(Text(finding.remedy), (0, 0, 0, 2))
        )
        console.print(remedy, soft_wrap=is_piped)
    if side.restoration:
        where = "`transfers:`" if files else "the side's files"
        console.print(Text(f"\nPaste below {where} in the manifest:", "bold"))
        console.print(Text(side_entry(name, files, side.restoration).rstrip()), soft_wrap=True)
    elif not side.findings:
        console.print(Text("\nno faults found", style="green"))


def _facts(side: Survey) -> Iterator[tuple[str, str]]:
    """List what was measured, one line each."""
    programme, channels, pcm = side.programme, side.channels, side.pcm
    yield "format", _format(side)
    yield "length", clock_text(side.length_s)
    if programme.begins_s is not None and programme.ends_s is not None:
        yield "programme", f"{clock_text(programme.begins_s)} to {clock_text(programme.ends_s)}"
    yield "noise floor", _level(side.noise_floor_dbfs, "dBFS")
    yield "peak", _both(pcm.peak_dbfs, "dBFS")
    if pcm.clipped_peaks:
        peaks = counted(pcm.clipped_peaks, "peak")
        yield "clipped", f"{peaks}, longest {pcm.longest_samples} samples"
    yield "DC offset", _both([100 * value for value in channels.dc], "%", 3)
    yield "level", _levels(channels.rms_dbfs, mono=side.mono)
    if not side.mono:
        yield from _between_channels(side)
    yield "hum", _hum(side)
    yield "rumble", _rumble(side)
    yield "clicks", f"{side.clicks.per_minute:.1f} per minute, {side.clicks.count} in total"
    yield "dropouts", str(len(side.dropouts))
    yield "print-through", _print_through(side)
    yield "speed", _speed(side)
    yield "tuning", _tuning(side)
    yield "wow and flutter", _wow(side)
    yield "playback EQ", _not_determined("set `played` and `recorded` if it was wrong")
    yield "bandwidth", _bandwidth(side)


def _format(side: Survey) -> str:
    depth = f"{side.bits} bits" if side.bits else "float or lossy"
    used = [bits for bits in side.pcm.bits_used if bits is not None]
    if used and side.bits and max(used) < side.bits:
        depth += f", {max(used)} of them used"
    return f"{side.rate_hz} Hz, {depth}{', mono' if side.mono else ''}"


def _levels(rms_dbfs: tuple[float | None, float | None], *, mono: bool) -> str:
    """Write the RMS level of each channel, and by how much they differ."""
    left, right = rms_dbfs
    if mono:
        return f"{_level(left, 'dBFS')} RMS"
    levels = f"{_both(rms_dbfs, 'dBFS')} RMS"
    if left is None or right is None:
        return levels
    return f"{levels}; left {signed(left - right)} dB re right"


def _between_channels(side: Survey) -> Iterator[tuple[str, str]]:
    channels = side.channels
    if channels.balance_db is None:
        yield "balance", _not_determined(channels.balance_reason)
    else:
        yield "balance", _with_range(channels.balance_db, channels.section_balances_db, "dB", 1)
    correlation = f"correlation {signed(channels.correlation, 2)}"
    if channels.polarity == "unclear":
        yield "polarity", f"{_not_determined(channels.polarity_reason)}; {correlation}"
    else:
        yield "polarity", f"{channels.polarity}, {correlation}"
    if channels.delay_us is None:
        yield "interchannel delay", _not_determined(channels.delay_reason)
    else:
        drift = "" if channels.drift_us is None else f", varies by {channels.drift_us:.0f} µs"
        order = "later" if channels.delay_us >= 0 else "earlier"
        delay = f"right {decimal(abs(channels.delay_us), 0)} µs {order} than left{drift}"
        yield "interchannel delay", delay
    yield "delay over time", _path(side.delay_path)


def _path(path: DelayPathReading) -> str:
    if path.reason:
        return _not_determined(path.reason)
    low, high = (signed(us, 0) for us in path.span_us)
    agreement = f"{100 * path.agreement:.0f} % of the common sound has this delay"
    return f"right {low} to {high} µs re left; {agreement}"


def _not_determined(reason: str) -> str:
    return f"not determined: {reason}" if reason else "not determined"


def _with_range(value: float, course: Sequence[float | None], unit: str, digits: int) -> str:
    """Write a value with its range over the side."""
    values = [each for each in course if each is not None]
    span = ""
    if len(values) > 2:
        span = f", over time {signed(min(values), digits)} to {signed(max(values), digits)}"
    return f"left {signed(value, digits)} {unit}{span}"


def _hum(side: Survey) -> str:
    hum = side.hum
    if hum.mains_hz is None:
        return "none found"
    numbers = ", ".join(str(harmonic.number) for harmonic in hum.harmonics)
    pitch = f"{pitch_text(hum.mains_hz, hum.stretches, 2)}{where_text(hum.stretches)}"
    return f"{pitch}, {_level(hum.level_dbfs, 'dBFS')}, harmonics {numbers}"


def _rumble(side: Survey) -> str:
    rumble = side.rumble
    if rumble.level_dbfs is None:
        return _not_determined(rumble.reason)
    return f"{_level(rumble.level_dbfs, 'dBFS')} below 25 Hz, in the pauses"


def _print_through(side: Survey) -> str:
    found = side.print_through
    if found.reason:
        return _not_determined(found.reason)
    if found.lag_s is None:
        return f"none found before {counted(found.onsets, 'loud onset')}"
    times = f"{len(found.echoes)} of {counted(found.onsets, 'loud onset')}"
    return f"{found.lag_s:.2f} s before {times}"


def _speed(side: Survey) -> str:
    if side.speed is None:
        return "not determined: no reference tone, no hum"
    percent = f"{signed(100 * (side.speed.factor - 1), 2)} %: {side.speed.how}"
    return (
        f"not determined; a guess is {percent}" if side.speed.is_guess else f"correct by {percent}"
    )


def _tuning(side: Survey) -> str:
    tuning = side.tuning
    if tuning.cents is None or tuning.a_hz is None:
        return _not_determined(tuning.reason)
    tones = f"{100 * tuning.share:.0f} % of {counted(tuning.tones, 'long tone')}"
    return f"A = {tuning.a_hz:.1f} Hz, {signed(tuning.cents, 0)} cents; {tones}"


def _wow(side: Survey) -> str:
    """Write the figures of the tone, then those of the music."""
    wow, tone = side.wow, side.speed and side.speed.flutter
    if wow.cyclic:
        level = f"±{wow.percent:.2f} %, {wow.weighted_percent:.2f} % weighted"
        music = f"cyclic at {wow.cyclic.hz:.2f} Hz: {level}"
    elif wow.reason:
        music = _not_determined(wow.reason)
    else:
        music = f"no cyclic wow found in {counted(wow.partials, 'steady tone')}"
    if not tone:
        return music
    figures = f"{tone.weighted_percent:.2f} % weighted, {tone.unweighted_percent:.2f} % unweighted"
    return f"tone {figures} (up to {tone.highest_hz:.0f} Hz); {music}"


def _bandwidth(side: Survey) -> str:
    reading = side.bandwidth
    ends = "not determined" if reading.ends_hz is None else f"{reading.ends_hz / 1000:.1f} kHz"
    cliff = reading.cliff_hz
    return ends if cliff is None else f"{ends}; steep cut-off at {cliff / 1000:.1f} kHz"


def _level(value: float | None, unit: str, digits: int = 1) -> str:
    return "–" if value is None else f"{signed(value, digits)} {unit}"


def _both(values: Sequence[float | None], unit: str, digits: int = 1) -> str:
    left, right = (_level(value, unit, digits) for value in values)
    return f"left {left}, right {right}"
