"""Finish passages: rendered once for all who need their PCM, or not at all.

What a passage's PCM is needed for is known before it is rendered: its place in an image that does
not have it yet, FLAC files that the cache does not have, readings. The PCM itself is not cached: it
is read from the image or from a FLAC file, and rendered again if neither has it.
"""

from __future__ import annotations

import threading
from collections.abc import Collection, Iterator, Mapping, Sequence
from contextlib import ExitStack, closing, contextmanager
from dataclasses import asdict, dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from assembler.cache.keys import Key, named_key
from assembler.disc.image import ImageWriter
from assembler.download.formats import FlacWriter, facts_of
from assembler.dsp.meter import Reading
from assembler.manifest.sets import format_of
from assembler.mastering.clipping import TrackClipping
from assembler.mastering.compression import compression_from
from assembler.mastering.gain_plan import GainPlan
from assembler.mastering.gain_reduction import TrackGainReduction
from assembler.mastering.passage import remove_files
from assembler.mastering.plan import DISC_BITS
from assembler.mastering.render import (
    FinishedTrack,
    MasterSettings,
    PcmWriter,
    StoredPcm,
    Writers,
    master,
)
from assembler.release.artifact_cache import ArtifactCache, track_name
from assembler.release.tasks.images import Image
from assembler.sequence import Passage


def encoded_key(name: str, track: str, lowered_db: float = 0.0) -> Key:
    """Return the key of an encoded file without tags.

    Parameters
    ----------
    name
        Its format's folder: sets that have a track alike share its file.
    track
        The key of the track's PCM.
    lowered_db
        By how much a lossy file was lowered for its peaks.
    """
    parts = {"lowered for its peaks": lowered_db} if facts_of(name).lossy else {}
    return named_key("encoded", {"format": format_of(name), **parts}, [track])


@dataclass(frozen=True)
class _Keyed:
    """A passage with its gains, and the keys of its PCM: as a whole, and of each track."""

    plan: GainPlan
    key: Key
    tracks: tuple[Key, ...]

    def flac(self, i: int, bits: int) -> Key:
        """Return the key of a track's FLAC file."""
        return encoded_key(flac_of(bits), self.tracks[i])


@dataclass(frozen=True)
class Finisher:
    """Finishes the passages of one master.

    Attributes
    ----------
    cache
        Finished work.
    scratch
        Folder for FLAC files that only this build needs.
    settings
        Limiter, bit depths and dither.
    formats
        Download formats that are made from this master.
    images
        The image that each passage is in; empty where the master is no disc's.
    """

    cache: ArtifactCache
    scratch: Path
    settings: MasterSettings
    formats: tuple[str, ...] = ()
    images: Mapping[Passage, Image] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    def key(self, plan: GainPlan) -> Key:
        """Return the key of a passage's PCM."""
        gains: dict[str, object] = {
            f"gain of {track_name(section)}": gain_db
            for section, gain_db in zip(plan.rendered.sections, plan.gains_db, strict=True)
        }
        settings = self.settings
        form = {
            "ceiling": settings.limiter.ceiling_dbtp,
            "link": settings.limiter.link,
            "bit depth": list(settings.bit_depths),
            "dither": settings.dither,
        }
        key = named_key("master", gains | form, [self.cache.passage_key(plan.rendered)])
        return key.depending_on("approval", plan.held) if plan.held else key

    def finish(self, plan: GainPlan, missing: Collection[Passage]) -> list[FinishedTrack]:
        """Return the finished tracks of a passage; render it if anything of it is missing.

        Parameters
        ----------
        plan
            The passage and its gains.
        missing
            Passages that their images do not have yet.
        """
        keyed = self._keyed(plan)
        into_image = plan.rendered.passage in missing
        flac_bits = [bits for bits in self.settings.bit_depths if self._needs_flac(keyed, bits)]
        readings = self.cache.folder.known(keyed.key)
        if readings is None or into_image or flac_bits:
            rendered = self._render(keyed, into_image, flac_bits)
            readings = self.cache.folder.json(keyed.key, lambda: rendered)
        remove_files(plan.rendered)
        return [self._track(keyed, i, reading) for i, reading in enumerate(readings)]

    def _keyed(self, plan: GainPlan) -> _Keyed:
        key = self.key(plan)
        of_tracks = range(len(plan.rendered.sections))
        tracks = (named_key("track", {"position in its passage": i}, [key]) for i in of_tracks)
        return _Keyed(plan, key, tuple(tracks))

    def _render(
        self, keyed: _Keyed, into_image: bool, flac_bits: Sequence[int]
    ) -> list[dict[str, Any]]:
        """Render a passage for all who need it; return its tracks' readings."""
        plan, rendered = keyed.plan, keyed.plan.rendered
        with self.cache.folder.folder_for_work() as folder:
            paths = {bits: self._flac_paths(keyed, bits, folder) for bits in flac_bits}

            @contextmanager
            def writers() -> Iterator[Writers]:
                opened: dict[int, list[PcmWriter]] = {bits: [] for bits in (DISC_BITS, *flac_bits)}
                with ExitStack() as stack:
                    if into_image:
                        place = self.images[rendered.passage].path, rendered.passage.start_frame
                        opened[DISC_BITS].append(stack.enter_context(closing(ImageWriter(*place))))
                    for bits in flac_bits:
                        writer = FlacWriter(paths[bits], rendered.rate_hz, bits)
                        opened[bits].append(stack.enter_context(closing(writer)))
                    yield opened

            tracks = master(rendered, plan.gains_db, self.settings, writers)
            for bits in filter(self._keeps_flac, flac_bits):
                for i, path in enumerate(paths[bits]):
                    self.cache.put_file(keyed.flac(i, bits), path)
        return [_as_json(track) for track in tracks]

    def _needs_flac(self, keyed: _Keyed, bits: int) -> bool:
        """Return whether a file that is made from a FLAC file of a bit depth must be made."""
        if bits == DISC_BITS and keyed.plan.rendered.passage in self.images:
            return False
        of_tracks = range(len(keyed.tracks))
        if not self._keeps_flac(bits) and all(
            self._scratch_path(keyed, i, bits).exists() for i in of_tracks
        ):
            return False  # another edition has rendered it, and may be reading it
        needed = {
            flac_of(bits) if facts_of(name).container == "wav" else name
            for name in self.formats
            if facts_of(name).bits == bits
        }
        return any(
            not self.cache.folder.has(encoded_key(name, track))
            for name in needed
            for track in keyed.tracks
        )

    def _keeps_flac(self, bits: int) -> bool:
        """Return whether the cache keeps the FLAC files: where they or WAV files are delivered."""
        return any(
            facts_of(name).bits == bits and facts_of(name).container in ("flac", "wav")
            for name in self.formats
        )

    def _flac_paths(self, keyed: _Keyed, bits: int, folder: Path) -> list[Path]:
        of_tracks = range(len(keyed.tracks))
        if self._keeps_flac(bits):
            return [folder / f"{bits}-{i}.flac" for i in of_tracks]
        return [self._scratch_path(keyed, i, bits) for i in of_tracks]

    def _scratch_path(self, keyed: _Keyed, i: int, bits: int) -> Path:
        return self.scratch / f"{keyed.flac(i, bits)}.flac"

    def _stored(self, keyed: _Keyed, i: int, start: int, bits: int) -> StoredPcm:
        """Return where a track's PCM is, after rendering it if need be."""
        passage = keyed.plan.rendered.passage
        if bits == DISC_BITS and passage in self.images:
            place = self.images[passage].stored(passage)
            return StoredPcm(place.path, place.start + start)
        keeps, key = self._keeps_flac(bits), keyed.flac(i, bits)
        path = self.cache.folder.entry(key) if keeps else self._scratch_path(keyed, i, bits)
        with self._lock:
            if not (self.cache.folder.has(key) if keeps else path.exists()):
                self._render(keyed, False, [bits])
        return StoredPcm(path)

    def _track(self, keyed: _Keyed, i: int, reading: Mapping[str, Any]) -> FinishedTrack:
        reduction, compression = reading["gain_reduction"], reading["compression"]
        clipping, blocks = reading["clipping"], reading["gating_blocks"]
        start, plan = reading["start"], keyed.plan
        return FinishedTrack(
            section=plan.rendered.sections[i],
            rate_hz=plan.rendered.rate_hz,
            start=start,
            length=reading["length"],
            readings={int(bits): Reading(**one) for bits, one in reading["readings"].items()},
            gating_blocks={int(bits): np.array(energies) for bits, energies in blocks.items()},
            digest=reading["digest"],
            gain_db=plan.gains_db[i],
            gain_reduction=TrackGainReduction(
                **{**reduction, "course_db": tuple(reduction["course_db"])}
            ),
            compression=compression_from(compression) if compression else None,
            clipping=TrackClipping(**clipping) if clipping else None,
            key=keyed.tracks[i],
            stored=partial(self._stored, keyed, i, start),
        )


def flac_of(bits: int) -> str:
    """Return the FLAC format of a bit depth."""
    return "flac-16" if bits == DISC_BITS else "flac-24"


def _as_json(track: FinishedTrack) -> dict[str, Any]:
    return {
        "start": track.start,
        "length": track.length,
        "readings": {str(bits): asdict(reading) for bits, reading in track.readings.items()},
        "gating_blocks": {str(b): blocks.tolist() for b, blocks in track.gating_blocks.items()},
        "digest": track.digest,
        "gain_reduction": asdict(track.gain_reduction),
        "compression": track.compression and asdict(track.compression),
        "clipping": track.clipping and asdict(track.clipping),
    }
