"""What is measured of each tape side in the background: waveform, faults, spectrum, proposed cuts.

All of it is kept in the cache by the contents of the transfer.
"""

from __future__ import annotations

import base64
import io
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from assembler.audio import Recording, open_recording
from assembler.cache.folder import CacheFolder, cache_key
from assembler.cancel import Cancelled, CancelToken
from assembler.digest import file_stamp
from assembler.draft.song_list import ListedSong
from assembler.dsp.blocks import Samples
from assembler.errors import explained
from assembler.listen.peaks import SidePeaks
from assembler.manifest.transfers import Restoration, Transfer
from assembler.preflight.check import CheckReport
from assembler.preflight.sides import METHOD, condition_key
from assembler.release.inputs import Inputs
from assembler.restoration.analysis.hum import NO_HUM
from assembler.restoration.analysis.programme import ProgrammeReading
from assembler.restoration.analysis.stereo.channels import ChannelReading
from assembler.restoration.chain import Resolved, resolve, resolve_for_split, restored_passage
from assembler.restoration.condition import Condition

_PICTURE_WIDTH, _PICTURE_HEIGHT = 2000, 120


@dataclass(frozen=True)
class _Stoppable(Recording):
    """A recording whose reading ends with the page, in whatever thread it is read."""

    token: CancelToken | None = None

    def blocks(self, start: int, end: int) -> Iterator[Samples]:
        for block in super().blocks(start, end):
            if self.token and self.token.is_cancelled:
                raise Cancelled
            yield block


_NOTHING_MEASURED = Condition(
    ChannelReading(
        (0.0, 0.0), None, (), "", "unclear", "", 0.0, None, (), "", None, False, (), (None, None)
    ),
    NO_HUM,
)


@dataclass
class MeasuredSide:
    """What is known of one side so far."""

    recording: Recording
    peaks: SidePeaks | None = None
    survey: Mapping[str, Any] | None = None
    """Of `Survey.as_json`, with ``spectrum``: a PNG in base 64."""
    condition: Condition | None = None
    proposal: Mapping[str, Any] | None = None
    error: str = ""


class MeasuredSides:
    """Measures the sides of a manifest one after the other.

    Parameters
    ----------
    cache
        The user's cache.
    scratch
        Folder for decoded copies.
    changed
        Called when something was measured.

    Attributes
    ----------
    whole_side
        Held while a whole side is surveyed.
    """

    def __init__(self, cache: CacheFolder, scratch: Path, changed: Callable[[], None]) -> None:
        self.whole_side = threading.Lock()
        self._cache = cache
        self._scratch = scratch
        self._changed = changed
        self._lock = threading.Lock()
        self._token = CancelToken()
        self._thread: threading.Thread | None = None
        self._transfers: Mapping[str, Transfer] = {}
        self._known: dict[tuple[str, tuple[Path, ...]], MeasuredSide] = {}
        self._readings: dict[str, ProgrammeReading] = {}
        self._source: CheckReport | None = None
        self._stale = False

    def measure(self, report: CheckReport) -> None:
        """Measure what is not known yet of the sides of a revision."""
        with self._lock:
            self._source, self._transfers = report, report.source.manifest.transfers
            self._stale = True
            if self._transfers and not (self._thread and self._thread.is_alive()):
                self._thread = threading.Thread(target=self._run, daemon=True)
                self._thread.start()

    def close(self) -> None:
        """End all work."""
        self._token.cancel()
        if self._thread:
            self._thread.join()

    def side(self, name: str) -> MeasuredSide | None:
        """Return what is known of a side."""
        if not self._source or name not in self._transfers:
            return None
        return self._known.get((name, self._paths(name)))

    def steps(self, name: str) -> Resolved:
        """Return a side's restoration steps; what is not measured yet is left out."""
        transfer, side = self._transfers[name], self.side(name)
        condition = (side and side.condition) or _NOTHING_MEASURED
        return resolve(transfer, condition, side.recording.rate_hz if side else 0)

    def propose(
        self, name: str, count: int | None = None, songs: Sequence[ListedSong] | None = None
    ) -> Mapping[str, Any]:
        """Find the songs of a side, as `split` does, and keep them as its proposal.

        Parameters
        ----------
        name
            Of the side.
        count, songs
            The number of songs and their list, where they are known.

        Raises
        ------
        AssemblerError
            There is no song, or the side can't be read.
        """
        from assembler.restoration.split.several_sides import split_sides

        side = self._opened(name)
        restoration = self._transfers[name].restoration
        wanted = [(song.title, song.duration_s) for song in songs] if songs else None
        parts = restoration.declick, restoration.noise, count, wanted
        key = cache_key("proposed cuts", METHOD, side.recording.sha256s, *map(repr, parts))

        def find() -> dict[str, Any]:
            reading = self._programme(side.recording, restoration)
            return split_sides([(name, reading)], count, songs)[0][1].as_json()

        side.proposal = self._cache.json(key, find)
        self._changed()
        return side.proposal

    def _programme(self, recording: Recording, restoration: Restoration) -> ProgrammeReading:
        from assembler.restoration.split.restored_programme import read_programme

        key = repr((recording.sha256s, restoration.declick, restoration.noise))
        if key not in self._readings:
            resolved = resolve_for_split(restoration, recording.rate_hz)
            blocks = restored_passage(recording, resolved, 0, recording.frames)
            self._readings = {key: read_programme(blocks, recording.rate_hz)}
        return self._readings[key]

    def _paths(self, name: str) -> tuple[Path, ...]:
        assert self._source
        return tuple(self._source.source.resolve(file) for file in self._transfers[name].paths)

    def _run(self) -> None:
        with self._token.active():
            while self._stale:
                self._stale = False
                for name in list(self._transfers):
                    try:
                        self._measure(name)
                    except Cancelled:
                        return
                    except Exception as error:  # else the page would wait for ever
                        if side := self.side(name):
                            side.error = str(explained(error))
                        self._changed()

    def _opened(self, name: str) -> MeasuredSide:
        paths = self._paths(name)
        with self._lock:
            if (name, paths) not in self._known:
                inputs = Inputs("", paths, (), {path: file_stamp(path) for path in paths})
                digests = inputs.digests(self._cache, map)
                found = open_recording(paths, self._scratch, digests)
                recording = _Stoppable(found.files, found.originals, token=self._token)
                self._known[name, paths] = MeasuredSide(recording)
            return self._known[name, paths]

    def _measure(self, name: str) -> None:
        side = self._opened(name)
        if side.peaks is None:
            side.peaks = SidePeaks(side.recording)
            side.peaks.read(self._cache, self._changed)
        if side.survey is None:
            recording = side.recording
            key = cache_key("survey", METHOD, recording.sha256s, recording.rate_hz)
            with self.whole_side:
                found = self._cache.json(key, lambda: _surveyed(recording))
            if not self._cache.has(condition_key(recording)):
                self._cache.put_json(condition_key(recording), found["condition"])
            side.survey, side.condition = found["survey"], Condition.from_json(found["condition"])
            self._changed()
        if side.proposal is None:
            self.propose(name)


def _surveyed(recording: Recording) -> dict[str, Any]:
    from assembler.restoration.survey.side_picture import spectrum_image
    from assembler.restoration.survey.survey import survey

    found = survey(recording, jobs=1)
    picture = io.BytesIO()
    image = spectrum_image(found, _PICTURE_WIDTH, _PICTURE_HEIGHT)
    if image:
        image.save(picture, "PNG")
    spectrum = base64.b64encode(picture.getvalue()).decode()
    return {
        "survey": {**found.as_json(), "spectrum": spectrum},
        "condition": found.condition.as_json(),
    }
