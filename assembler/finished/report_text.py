"""The desk's log of a build as plain text: what came in, what was done to it, what came out.

It says what `report.json` holds and nothing else, at most 100 columns wide in any script.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import Any

from assembler.manifest.codes import isrc_text
from assembler.manifest.model import Band
from assembler.restoration.analysis.dropouts import dropouts_text
from assembler.text import clock_text, decimal, frames_text, shorten, signed_db
from assembler.typeset.plain_text import COLUMNS, cells, wrapped

_LABEL = 18
_INDENT = 4
_NONE = "none"
Content = Mapping[str, Any]


def report_text(content: Content) -> str:
    """Write the log of a build.

    Parameters
    ----------
    content
        What `report.json` holds.

    Returns
    -------
    str
        Lines of at most 100 columns with LF ends.

    Raises
    ------
    KeyError
        It is no content of a report of this version.
    """
    parts = (
        _head(content),
        *((_title("Tape sides"), _sides(content)) if content["sides"] else ()),
        _title("Tracks"),
        *(_track(content, index) for index in range(len(content["tracks"]))),
        _title("Findings"),
        _findings(content["findings"]),
        _title("Files, with their SHA-256"),
        _files(content["files"]),
    )
    return "\n".join(line.rstrip() for part in parts for line in part) + "\n"


def _title(text: str) -> Iterator[str]:
    yield from ("", text, "-" * cells(text), "")


def _row(label: str, value: str, indent: int = 0) -> Iterator[str]:
    """Write a label and its value, which goes on below itself."""
    lead = indent + _LABEL
    for n, line in enumerate(wrapped(value, COLUMNS - lead) or [_NONE]):
        yield f"{' ' * indent}{'' if n else label:<{_LABEL}}{line}"


def _head(content: Content) -> Iterator[str]:
    release = content["release"]
    yield from wrapped(f"{release['title']} – {release['artist']}", COLUMNS)
    yield "=" * COLUMNS
    yield from _row("Release", content["name"])
    yield from _row("Barcode", release["barcode"] or "empty slot")
    yield from _row("Deliverables", ", ".join(content["rooms"]))
    for name, level in content["level"].items():
        yield from _row(f"Level, {name}", _level(level))
    yield from _row("Dither", content["dither"])
    for disc in content["discs"]:
        yield from _row(f"Disc {disc['number']}", _disc(disc))
    for name in content["formats"]:
        rates = sorted(set(content["formats"][name]["rates_hz"]))
        yield from _row(name, ", ".join(f"{rate_hz} Hz" for rate_hz in rates))
    made_with = content["made_with"]
    packages = ", ".join(f"{name} {version}" for name, version in made_with["packages"].items())
    made_by = f"assembler {content['assembler']}, method {made_with['method']}"
    yield from _row("Made by", f"{made_by}; with {packages}")
    if content["proof_of"]:
        yield from _row("Proof of", content["proof_of"])


def _sides(content: Content) -> Iterator[str]:
    for side in content["sides"]:
        yield from _row("side", f"{side['name']}: {', '.join(side['files'])}")
        for name in ("tape", "deck", "transferred", "by", "notes"):
            if side.get(name):
                yield from _row(name, side[name], _INDENT)
        for number, step in enumerate(side["steps"], 1):
            yield from _row(f"mended, {number}", _step(step), _INDENT)
        if not side["steps"]:
            yield from _row("mended", "nothing", _INDENT)
        for step in side["unresolved"]:
            reason = side["reasons"].get(step, "no value was measured")
            yield from _row("not determined", f"{step}, nothing was done: {reason}", _INDENT)
        if side["dropouts"]:
            yield from _row("dropouts", dropouts_text(side["dropouts"]), _INDENT)


def _step(step: Content) -> str:
    before, after = step.get("before"), step.get("after")
    if before is None and after is None:
        return str(step["done"])
    told = ("none" if reading is None else _plain(reading + 0.0) for reading in (before, after))
    return f"{step['done']} ({step['measure']}: {' before, '.join(told)} after)"


def _level(level: Content) -> str:
    matches = {
        "album": f"one gain, the loudest track at {_plain(level['target'])} LUFS",
        "track": f"every track at {_plain(level['target'])} LUFS",
        "none": "no gain",
    }
    return f"{matches[level['match']]}; ceiling {_plain(level['ceiling'])} dBTP"


def _disc(disc: Content) -> str:
    pause = frames_text(disc["opening_pause_frames"])
    told = f"{disc['time']} of {frames_text(disc['limit_frames'])}, opening pause {pause}"
    for name in ("hidden", "tail"):
        if frames := disc[f"{name}_frames"]:
            told += f", {frames_text(frames)} {name}"
    return told


def _track(content: Content, index: int) -> Iterator[str]:
    track = content["tracks"][index]
    number = f"{track['number']:02d}"
    if len(content["discs"]) > 1:
        number = f"{track['disc_number']}-{number}"
    code = isrc_text(track["isrc"]) if track["isrc"] else "ISRC empty"
    if index:
        yield ""
    yield from _row(number, f"{track['title']} [{code}]")
    rows = (
        *_source(track["source"]),
        *_done(track["done"]),
        ("gain", _gain(track)),
        ("place", _place(track)),
        *_out(content, index),
    )
    for label, value in rows:
        yield from _row(label, value, _INDENT)


_AS_DELIVERED = "; mono: delivered and measured in both channels"


def _source(source: Content) -> Iterator[tuple[str, str]]:
    digests = source["sha256"].split("+")
    is_mono = [file["channels"] for file in source["came_in"]] == [1]
    for file, digest in zip(source["came_in"], digests, strict=True):
        yield "came in", _came_in(file) + (_AS_DELIVERED if is_mono else "")
        yield "  SHA-256", digest
    yield "section", _section(source)


def _came_in(file: Content) -> str:
    length = clock_text(file["samples"] / file["sample_rate_hz"])
    width = f"{file['bits']} bit" if file["bits"] else "no fixed width"
    channels = "1 channel" if file["channels"] == 1 else f"{file['channels']} channels"
    kind = f"{file['kind']}, {file['sample_rate_hz']} Hz, {width}, {channels}"
    return f"{file['file']}: {kind}, {length}"


def _section(source: Content) -> str:
    rate_hz = source["sample_rate_hz"]
    edges = (source["start_sample"], source["end_sample"])
    first, last = (clock_text(edge / rate_hz) for edge in edges)
    samples = f"samples {edges[0]} to {edges[1]}"
    return f"{first} to {last}, {samples}: {clock_text((edges[1] - edges[0]) / rate_hz)}"


def _done(done: Content) -> Iterator[tuple[str, str]]:
    if done["side"]:
        yield "side", f"{done['side']}; mended: {', '.join(done['mended']) or 'nothing'}"
    yield "tone", "; ".join(map(band_text, done["equaliser"])) or _NONE
    fades = [f"{way} {done[f'fade_{way}_s']:g} s" for way in ("in", "out") if done[f"fade_{way}_s"]]
    if fades:
        fades.append(done["fade_shape"].replace("_", " "))
    yield "fades", ", ".join(fades) or _NONE
    if done["overlap_s"]:
        yield "overlap", f"{done['overlap_s']:g} s with the track before"


def _gain(track: Content) -> str:
    told = [f"trim {signed_db(track['done']['trim_db'])}"] if track["done"]["trim_db"] else []
    for name in ("disc", "download"):
        if level := track[name]:
            told.append(f"{name} {signed_db(level['gain_db'])}")
    return ", ".join(told) or _NONE


def _place(track: Content) -> str:
    points = ", ".join(f"{n} at {frames_text(at)}" for n, at in track["indexes"].items())
    gap = frames_text(track["gap_frames"]) if track["gap_frames"] else _NONE
    return f"index {points}; lasts {frames_text(track['frames'])}, gap before it {gap}"


def _out(content: Content, index: int) -> Iterator[tuple[str, str]]:
    track = content["tracks"][index]
    for name in ("disc", "download"):
        if level := track[name]:
            yield f"out, {name}", _measured(level)
            yield "  limited", _limited(level["limiting"])
    for name, made in content["formats"].items():
        if made["lossy"]:
            yield f"  {name}", _lossy(made["lossy"][index])


def _measured(level: Content) -> str:
    form = f"{level['sample_rate_hz']} Hz, {level['bits']} bit"
    readings = (
        ("integrated_lufs", "LUFS"),
        ("true_peak_dbtp", "dBTP"),
        ("sample_peak_dbfs", "dBFS"),
        ("loudness_range_lu", "LU range"),
    )
    told = [_reading(level[key], unit) for key, unit in readings]
    return f"{', '.join(told)}; {form}"


def _reading(value: float | None, unit: str) -> str:
    return f"{decimal(value, 2)} {unit}"


def _limited(limiting: Content) -> str:
    if not limiting["most_db"]:
        return "not at all"
    shares = ", ".join(
        f"{limiting[f'share_above_{n}_db']:.2%} of it by more than {n} dB" for n in (1, 3)
    )
    return f"by up to {limiting['most_db']:.2f} dB at {clock_text(limiting['at_s'])}; {shares}"


def _lossy(made: Content) -> str:
    told = f"decodes to {_reading(made['peak_after_dbtp'], 'dBTP')}"
    if made["lowered_db"]:
        before = _reading(made["peak_before_dbtp"], "dBTP")
        told += f", lowered by {made['lowered_db']:.2f} dB from {before}"
    return f"{told}, coded {_times(made['rounds'])}"


def _times(count: int) -> str:
    return "once" if count == 1 else f"{count} times"


def _plain(value: float) -> str:
    return f"{value:g}".replace("-", "−")


def _findings(findings: Iterable[Content]) -> Iterator[str]:
    nothing = True
    for finding in findings:
        nothing = False
        place = f"line {finding['line']}: " if finding["line"] else ""
        message = shorten(finding["message"], 1000)
        yield from _row(finding["severity"], f"{place}{message} [{finding['code']}]")
    if nothing:
        yield _NONE


def _files(files: Content) -> Iterator[str]:
    for name, digest in files.items():
        yield from wrapped(name, COLUMNS)
        yield f"{' ' * _INDENT}{digest}"


def band_text(band: Band | Mapping[str, Any]) -> str:
    """Write an equaliser band.

    Examples
    --------
    >>> band_text({"shape": "bell", "hz": 2800.0, "db": -1.5, "q": 1.2})
    'bell 2800 Hz −1.50 dB q 1.2'
    """
    told = band.model_dump() if isinstance(band, Band) else band
    texts = [str(told["shape"]).replace("_", " "), f"{told['hz']:g} Hz"]
    if told.get("db") is not None:
        texts.append(signed_db(told["db"]))
    if told.get("q") is not None:
        texts.append(f"q {told['q']:g}")
    if told.get("slope") is not None:
        texts.append(f"{told['slope']} dB/octave")
    return " ".join(texts)
