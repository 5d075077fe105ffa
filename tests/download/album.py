"""An invented album of two tracks, its metadata as awkward as in practice, with music for it."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from assembler.download.cover import Cover, read_cover
from assembler.download.formats import FACTS, encode
from assembler.download.playing_levels import PlayingLevels
from assembler.dsp.blocks import Samples
from assembler.dsp.decibels import amplitude
from assembler.dsp.meter import Reading, read_meter
from assembler.manifest import Manifest, ManifestFile
from assembler.manifest.sets import Format
from assembler.metadata import TrackMetadata

MANIFEST = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
  label: Tidewrack Editions
  release_date: 2027-04-16
  barcode: "2000000000145"
  genre: Choral
  p_line: 2027 Tidewrack Editions
  c_line: 2027 Tidewrack Editions
  language: el
download:
  formats: [flac-24]
tracks:
  - title: "Χαμηλό φανάρι; ή Фонарь/Lantern"
    version: live
    audio: a.wav
    artist: Falk/Brenn; Oren
    recorded: 1991-08-03
    recorded_at: Net Loft, Halden
    isrc: AA-6Q7-27-00001
    composers: ["Ines Falk; the elder", Åse Þórdís/Brenn, 'Ольга Ветрова']
    lyricists: [Oda Brenn, "=Oda"]
    arrangers: [Mattis Oren]
    publisher: Tidewrack Songs
    lyrics: |
      Low lantern on the water,
      χαμηλό νερό.
    comment: The first tape in the box.
  - title: Tide Table
    audio: b.wav
    gap: 0
    isrc: AA-6Q7-27-00002
credits:
  - {name: Mattis Oren, roles: [harmonium, arranger], tracks: [1]}
  - {name: "Nils Aker/Berg", roles: [alto recorder]}
  - {name: Ines Falk, roles: [recording engineer, producer]}
  - {name: "Oda; Brenn", roles: [mastering]}
  - {name: Rune Vik, roles: [sleeve notes, executive producer, conductor]}
"""
DETAILED = (
    MANIFEST.replace("  language: el\n", """\
  language: el
  sort_name: Ferry Singers, Halden
  subgenre: Sea songs
  advisory: none
  compilation: true
  original_release_date: 1994-05-02
  territories: [NO, SE]
""")
    .replace("    publisher: Tidewrack Songs\n", """\
    publishers:
      - {name: Tidewrack Songs, share: 60, ipi: "99999999919"}
      - {name: Net Loft Music, share: 40}
    featuring: [Jorun Hald]
    remixers: [Kari Nymoen, Nils Aker]
    conductor: Sørine Aakre
    orchestra: Boathouse Band
    soloists: [Tove Lind]
    language: "no"
    lyrics_language: nn
    advisory: explicit
    work: Rounds for Low Water
    movement: Ropewalk
    movement_number: 2
    iswc: T-999.999.999-4
    writers_ipi: [{name: Mattis Oren, ipi: "99999999821"}]
    p_line: 1994 Net Loft
    recording_country: "NO"
""")
    .replace("    isrc: AA-6Q7-27-00002\n", """\
    isrc: AA-6Q7-27-00002
    artist: Halden Ferry Singers
    instrumental: true
    genre: Folk
    original_release_date: 1991
""")
)  # fmt: skip
"""The album with every detail that shops and societies ask for; its codes are invented."""
Pcm = NDArray[np.int32]


@dataclass(frozen=True)
class Album:
    """A manifest and the metadata of its tracks."""

    source: ManifestFile
    metadata: tuple[TrackMetadata, ...]

    @property
    def manifest(self) -> Manifest:
        return self.source.manifest


def picture(
    width: int = 300,
    height: int | None = None,
    mode: str = "RGB",
    kind: str = "JPEG",
    **how: object,
) -> bytes:
    """Return a picture of noise."""
    size = (height or width, width, 3)
    noise = np.random.default_rng(5).integers(0, 256, size, dtype=np.uint8)
    buffer = io.BytesIO()
    Image.fromarray(noise).convert(mode).save(buffer, kind, **how)
    return buffer.getvalue()


def cover(folder: Path, name: str = "front.jpg", width: int = 300) -> Cover:
    """Return a cover made from a picture in a folder."""
    (folder / name).write_bytes(picture(width))
    return read_cover(folder / name)


def encoded(folder: Path, name: Format, pcm: Pcm, rate_hz: int, stem: str = "track") -> Path:
    """Encode 24-bit PCM at the format's word length."""
    facts = FACTS[name]
    target = folder / f"{stem}{facts.suffix}"
    encode([pcm >> (24 - facts.bits)], rate_hz, facts, target)
    return target


def reading_of(pcm: Pcm, rate_hz: int, bits: int = 24) -> Reading:
    """Measure PCM."""
    return read_meter([samples_of_pcm(pcm, bits)], rate_hz)


def samples_of_pcm(pcm: Pcm, bits: int = 24) -> Samples:
    """Convert PCM to samples."""
    return (pcm / float(1 << (bits - 1))).astype(np.float32)


def levels_of(reading: Reading, album_lufs: float, album_peak: float) -> PlayingLevels:
    """Return the playing levels of a track of a louder album."""
    assert reading.true_peak_dbtp is not None
    peak = amplitude(reading.true_peak_dbtp)
    return PlayingLevels(reading.integrated_lufs, peak, album_lufs, album_peak)
