"""A track as a finished release has it: on its disc's image, or in a download format."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

from assembler.download.formats import facts_of
from assembler.download.lossy import decoded
from assembler.finished.finished import FinishedRelease
from assembler.finished.pcm import Stretch, in_format, on_image
from assembler.finished.report_form import TrackReport
from assembler.manifest import Level
from assembler.manifest.sets import DISC, set_of
from assembler.sequence.frames import DISC_RATE_HZ
from assembler.verification.sound import Sound, sound_of


@dataclass(frozen=True)
class Rendering:
    """A track on its disc's image, or in a format.

    Attributes
    ----------
    release
        The edition that the track is read from.
    index
        The track's index on that edition.
    name
        The format's folder in `download`; None for the image.
    """

    release: FinishedRelease
    index: int
    name: str | None

    @property
    def track(self) -> TrackReport:
        """The track's entry in the report."""
        return self.release.tracks[self.index]

    @property
    def path(self) -> str:
        """The path in the release of the file."""
        if self.name is None:
            return self.release.disc_file(self.track.disc_number, ".wav")
        return self.release.track_file(self.name, self.track)

    @property
    def is_lossy(self) -> bool:
        """Whether the file is lossy."""
        return self.name is not None and facts_of(self.name).lossy

    @property
    def deliverable(self) -> str:
        """The disc or the download set that it is of."""
        return set_of(self.name) if self.name else DISC

    @property
    def level(self) -> Level:
        """The level that the manifest asks for."""
        return self.release.manifest.level_of(self.deliverable)

    @property
    def rate_hz(self) -> int:
        """The sample rate."""
        return self.rates_hz[self.index]

    @property
    def rates_hz(self) -> list[int]:
        """The sample rates of all tracks of the edition."""
        if self.name is None:
            return [DISC_RATE_HZ] * len(self.release.tracks)
        return self.release.report.formats[self.name].rates_hz

    @property
    def gain_db(self) -> float:
        """The gain in the report: match and trim, and what a lossy file was lowered by."""
        if self.name is None:
            delivered = self.track.disc
            return delivered.gain_db if delivered else 0.0
        made = self.release.report.formats[self.name]
        lowered_db = made.lossy[self.index].lowered_db if made.lossy else 0.0
        return made.gains_db[self.index] - lowered_db

    @property
    def reduction_db(self) -> float:
        """The track's maximum gain reduction, in any deliverable."""
        return max((one.reduction_db for one in self.track.delivered.values()), default=0.0)

    def lossless(self) -> Stretch | None:
        """Return the samples; None for a lossy file."""
        if self.name is None:
            return on_image(self.release, self.index)
        return None if self.is_lossy else in_format(self.release, self.name, self.index)

    def sound(self) -> Sound:
        """Return the sound, of a lossy file decoded."""
        stretch = self.lossless()
        if stretch is not None:
            where = "the image" if self.name is None else self.name
            return sound_of(stretch, f"track {self.track.number} in {where}")
        container = facts_of(str(self.name)).container
        read = partial(decoded, self.release.folder / self.path, container)
        return Sound(self.path, self.rate_hz, read)
