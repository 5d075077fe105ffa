"""The report as plain text: sources, processing and deliverables.

It has the content of `report.json` and nothing else, at most 100 columns wide in any script.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence

from assembler.findings import Finding
from assembler.finished.report_form import (
    CheckedArtworkReport,
    ClippingReport,
    CompressionReport,
    DeliveredReport,
    DiscReport,
    DoneReport,
    FileReport,
    GainReductionReport,
    LevelReport,
    LossyReport,
    MeasuredReport,
    PlaceReport,
    ReleaseReport,
    SideReport,
    SourceReport,
    StepReport,
    ToneReport,
    TrackEntry,
    TrackReport,
)
from assembler.manifest.codes import isrc_text
from assembler.manifest.sets import DISC, set_of
from assembler.manifest.tone_text import band_text, compressor_text
from assembler.restoration.analysis.dropouts import dropouts_text
from assembler.text import (
    clock_text,
    compact,
    counted,
    decimal,
    frames_text,
    shorten,
    signed_db,
    three_digits,
)
from assembler.typeset.plain_text import COLUMNS, cells, wrapped

_LABEL = 18
_INDENT = 4
_NONE = "none"
HELD = {
    "same": "keeps its approved gain",
    "replaced": "replaced, matched to the approved loudness",
    "new": "new, matched to the held release",
}
"""How a track is held."""


def report_text(report: ReleaseReport) -> str:
    """Return the report as text: lines of at most 100 columns that end with LF."""
    parts = (
        _head(report),
        *((_title("Tape sides"), _sides(report.sides)) if report.sides else ()),
        _title("Tracks"),
        *(_track(report, index) for index in range(len(report.tracks))),
        *((_title("Artwork"), _artwork(report.artwork)) if report.artwork else ()),
        _title("Findings"),
        _findings(report.findings),
        _title("Files and their SHA-256"),
        _files(report.files),
    )
    return "\n".join(line.rstrip() for part in parts for line in part) + "\n"


def _title(text: str) -> Iterator[str]:
    yield from ("", text, "-" * cells(text), "")


def _row(label: str, value: str, indent: int = 0) -> Iterator[str]:
    """Write a label and its value, wrapped below itself."""
    lead = indent + _LABEL
    for n, line in enumerate(wrapped(value, COLUMNS - lead) or [_NONE]):
        yield f"{' ' * indent}{'' if n else label:<{_LABEL}}{line}"


def _head(report: ReleaseReport) -> Iterator[str]:
    release = report.release
    yield from wrapped(f"{release.title} – {release.artist}", COLUMNS)
    yield "=" * COLUMNS
    yield from _row("Release", report.name)
    yield from _row("Barcode", release.barcode or "none assigned")
    yield from _row("Deliverables", ", ".join(report.rooms))
    for kind, level in report.level.named.items():
        yield from _row(f"Level, {kind}", _level(level))
    yield from _row("Dither", report.dither)
    for disc in report.discs:
        yield from _row(f"Disc {disc.number}", _disc(disc))
    for name, made in report.formats.items():
        yield from _row(name, ", ".join(f"{rate_hz} Hz" for rate_hz in sorted({*made.rates_hz})))
    packages = ", ".join(f"{name} {version}" for name, version in report.made_with.packages.items())
    made_by = f"assembler {report.assembler}, method {report.made_with.method}"
    yield from _row("Made with", f"{made_by}; {packages}")
    if report.proof_of:
        yield from _row("Proof of", report.proof_of)


def _sides(sides: Iterable[SideReport]) -> Iterator[str]:
    for side in sides:
        yield from _row("side", f"{side.name}: {', '.join(side.files)}")
        for name in ("tape", "deck", "transferred", "by", "notes"):
            if value := getattr(side, name):
                yield from _row(name, value, _INDENT)
        for number, step in enumerate(side.steps, 1):
            yield from _row(f"restoration, {number}", _step(step), _INDENT)
        if not side.steps:
            yield from _row("restoration", _NONE, _INDENT)
        for name in side.unresolved:
            reason = side.reasons.get(name, "no value was measured")
            yield from _row("not determined", f"{name}, left unchanged: {reason}", _INDENT)
        if side.dropouts:
            yield from _row("dropouts", dropouts_text(side.dropouts), _INDENT)


def _step(step: StepReport) -> str:
    if step.before is None and step.after is None:
        return step.done
    before, after = (
        _NONE if reading is None else three_digits(reading) for reading in (step.before, step.after)
    )
    return f"{step.done} ({step.measure}: {before} before all steps, {after} after)"


def _level(level: LevelReport) -> str:
    matches = {
        "album": f"one gain, the loudest track at {compact(level.target)} LUFS",
        "track": f"every track at {compact(level.target)} LUFS",
        "none": "no gain",
    }
    link = f"; limiter link {compact(level.link)} %" if level.link < 100 else ""
    return f"{matches[level.match]}; ceiling {compact(level.ceiling)} dBTP{link}"


def _disc(disc: DiscReport) -> str:
    pause = frames_text(disc.opening_pause_frames)
    text = f"{disc.time} of {frames_text(disc.limit_frames)}, track 1 pause {pause}"
    for name, frames in (("hidden", disc.hidden_frames), ("tail", disc.tail_frames)):
        if frames:
            text += f", {name} {frames_text(frames)}"
    return text


def _track(report: ReleaseReport, index: int) -> Iterator[str]:
    track = report.tracks[index]
    number = f"{index + 1:02d}"
    if not report.editions:
        number = f"{track.number:02d}"
        number = f"{track.disc_number}-{number}" if len(report.discs) > 1 else number
    code = isrc_text(track.isrc) if track.isrc else "ISRC: none assigned"
    if index:
        yield ""
    yield from _row(number, f"{track.title} [{code}]")
    rows = (
        *_source(track.source),
        ("source levels", _measured(track.source.measured)),
        *_side(track.done, report.sides),
        *_processing(track.done, track.compression),
        ("gain", _gain(track)),
        *_positions(report, index),
        *_levels(report, index),
        *_hold(track),
    )
    for label, value in rows:
        yield from _row(label, value, _INDENT)


def _hold(track: TrackEntry) -> Iterator[tuple[str, str]]:
    if track.hold:
        moves = [f"{name} {signed_db(move)}" for name, move in track.hold.moves_db.items()]
        change = f"; change of gain without the hold: {', '.join(moves)}" if moves else ""
        yield "hold", f"{HELD[track.hold.kind]}{change}"


_MONO = "; mono: delivered and measured in both channels"


def _source(source: SourceReport) -> Iterator[tuple[str, str]]:
    is_mono = [file.channels for file in source.came_in] == [1]
    for file, digest in zip(source.came_in, source.sha256.split("+"), strict=True):
        yield "source", _file(file) + (_MONO if is_mono else "")
        yield "  SHA-256", digest
    yield "section", _section(source)


def _file(file: FileReport) -> str:
    length = clock_text(file.samples / file.sample_rate_hz)
    channels = counted(file.channels, "channel")
    depth = f"{file.bits} bit" if file.bits else "no fixed bit depth"
    return f"{file.file}: {file.kind}, {file.sample_rate_hz} Hz, {depth}, {channels}, {length}"


def _section(source: SourceReport) -> str:
    start, end, rate_hz = source.start_sample, source.end_sample, source.sample_rate_hz
    first, last, length = (clock_text(edge / rate_hz) for edge in (start, end, end - start))
    return f"{first} to {last}, samples {start} to {end}: {length}"


def _side(done: DoneReport, sides: Iterable[SideReport]) -> Iterator[tuple[str, str]]:
    if done.side:
        left = {name for side in sides if side.name == done.side for name in side.unresolved}
        steps = ", ".join(name for name in done.mended if name not in left)
        yield "side", f"{done.side}; restoration: {steps or _NONE}"


def _processing(
    done: DoneReport, compression: CompressionReport | None
) -> Iterator[tuple[str, str]]:
    bands = [band_text(band) for band in done.equaliser]
    if done.mono_below_hz is not None:
        bands.append(f"mono below {done.mono_below_hz:g} Hz")
    yield "EQ", "; ".join(bands) or _NONE
    if done.tone:
        yield f"tone like {done.tone.like}", _tone(done.tone)
    if done.compress:
        yield "compressor", compressor_text(done.compress)
        yield from _compression(compression)
    if done.clip_db is not None:
        yield "clipper", f"up to {done.clip_db:g} dB"
    lengths = (("in", done.fade_in_s), ("out", done.fade_out_s))
    fades = [f"{way} {length_s:g} s" for way, length_s in lengths if length_s]
    if fades:
        fades.append(done.fade_shape.replace("_", " "))
    yield "fades", ", ".join(fades) or _NONE
    if done.overlap_s:
        yield "overlap", f"{done.overlap_s:g} s with the track before"


def _gain(track: TrackEntry) -> str:
    gains = [f"trim {signed_db(track.done.trim_db)}"] if track.done.trim_db else []
    gains += [f"{kind} {signed_db(level.gain_db)}" for kind, level in track.delivered.items()]
    return ", ".join(gains) or _NONE


def _positions(report: ReleaseReport, index: int) -> Iterator[tuple[str, str]]:
    """Return the track's position; where editions differ, with its number on each of them."""
    if not report.editions:
        yield "position", _position(report.places_on("")[index])
        return
    for name in report.level.named:
        place = report.places_on(name).get(index) if name != DISC or report.discs else None
        if place:
            disc = f"disc {place.disc_number}, " if len(report.discs) > 1 else ""
            yield "position", f"{name}: {disc}track {place.number}; {_position(place)}"


def _position(track: TrackReport | PlaceReport) -> str:
    points = ", ".join(f"{n} at {frames_text(at)}" for n, at in track.indexes.items())
    gap = frames_text(track.gap_frames) if track.gap_frames else _NONE
    return f"index {points}; duration {frames_text(track.frames)}, gap before it {gap}"


def _levels(report: ReleaseReport, index: int) -> Iterator[tuple[str, str]]:
    for kind, level in report.tracks[index].delivered.items():
        peak = f"{decimal(level.sample_peak_dbfs, 2)} dBFS"
        form = f"{level.sample_rate_hz} Hz, {level.bits} bit"
        yield f"{kind} levels", f"{_measured(level)}; {peak}; {form}"
        if level.clipping:
            yield "  clipper", _clipping(level.clipping)
        yield "  gain reduction", _gain_reduction(level.limiting)
    for name, made in report.formats.items():
        own = report.indices_on(set_of(name))
        if made.lossy and index in own:
            yield f"  {name}", _lossy(made.lossy[own.index(index)])


def _measured(level: MeasuredReport | DeliveredReport | None) -> str:
    """Write the levels of a source or a delivered track."""
    if level is None:
        return "not determined: measured with the proof"
    return (
        f"{decimal(level.integrated_lufs, 2)} LUFS, {decimal(level.true_peak_dbtp, 2)} dBTP, "
        f"{decimal(level.loudness_range_lu, 2)} LU range, "
        f"crest factor {decimal(level.crest_db, 2)} dB, "
        f"correlation {decimal(level.stereo_correlation, 2)}"
    )


def _compression(done: CompressionReport | None) -> Iterator[tuple[str, str]]:
    if done:
        most = f"max {done.most_db:.2f} dB at {clock_text(done.at_s)}"
        text = f"{most}, mean {done.mean_db:.2f} dB, 95 % at most {done.db_95:.2f} dB"
        before = f"before it {decimal(done.range_before_lu, 2)} LU range"
        yield "  gain reduction", f"{text}; {before}"


def _tone(tone: ToneReport) -> str:
    bands = "; ".join(map(band_text, tone.bands)) or "no band needed"
    distances = [f"{decimal(one, 2)} dB" for one in (tone.before_db, tone.after_db)]
    return (
        f"{bands}; spectral distance {distances[0]} before, {distances[1]} after (RMS of third "
        "octaves, 100 Hz to 10 kHz)"
    )


def _clipping(done: ClippingReport) -> str:
    if not done.samples:
        return _NONE
    return (
        f"max {done.most_db:.2f} dB at {clock_text(done.at_s)}; changes {done.samples} samples, "
        f"{done.share:.2%} of the track; distortion above the masking threshold (Johnston, 1988) "
        f"in {done.share_above_masking:.2%} of the critical bands there"
    )


def _gain_reduction(reduction: GainReductionReport) -> str:
    if not reduction.most_db:
        return _NONE
    shares = ((1, reduction.share_above_1_db), (3, reduction.share_above_3_db))
    times = ", ".join(f"more than {n} dB for {share:.2%}" for n, share in shares)
    text = f"max {reduction.most_db:.2f} dB at {clock_text(reduction.at_s)}"
    if reduction.mean_db is not None and reduction.db_95 is not None:
        text += f", mean {reduction.mean_db:.2f} dB, 95 % at most {reduction.db_95:.2f} dB"
    text += f"; {times} of the track"
    if reduction.image_drift_db is not None and reduction.image_drift_mean_db is not None:
        drifts = f"max {reduction.image_drift_db:.2f}, mean {reduction.image_drift_mean_db:.2f} dB"
        text += f"; stereo image drift: {drifts}"
    return text


def _lossy(made: LossyReport) -> str:
    text = f"decodes to {decimal(made.peak_after_dbtp, 2)} dBTP"
    if made.lowered_db:
        before = f"{decimal(made.peak_before_dbtp, 2)} dBTP"
        text += f", lowered by {made.lowered_db:.2f} dB from {before}"
    return f"{text}; encoded {'once' if made.rounds == 1 else f'{made.rounds} times'}"


def _findings(findings: Sequence[Finding]) -> Iterator[str]:
    if not findings:
        yield _NONE
    for finding in findings:
        place = f"line {finding.line}: " if finding.line else ""
        message = shorten(finding.message, 1000)
        yield from _row(finding.severity, f"{place}{message} [{finding.code}]")


def _artwork(parts: Iterable[CheckedArtworkReport]) -> Iterator[str]:
    """Write what was checked of the sleeve, and what of its text changed since."""
    for part in parts:
        found = ((part.errors, "error"), (part.warnings, "warning"))
        outcome = ", ".join(counted(n, what) for n, what in found if n) or "no errors"
        yield from _row(part.part, f"checked on {part.checked}: {outcome}")
        yield from _row("text since then", "; ".join(part.changes) or "unchanged", _INDENT)
        yield from _row("text, SHA-256", part.texts, _INDENT)
        for name, digest in part.files.items():
            yield from _row("file, SHA-256", f"{name} {digest}", _INDENT)


def _files(files: Mapping[str, str]) -> Iterator[str]:
    for name, digest in files.items():
        yield from wrapped(name, COLUMNS)
        yield f"{' ' * _INDENT}{digest}"
