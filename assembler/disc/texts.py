"""The texts on a disc, the same in its cue sheet and in its CD-Text."""

from __future__ import annotations

from dataclasses import dataclass

from assembler.manifest import Manifest
from assembler.manifest.disc_alphabet import disc_text
from assembler.manifest.model import DiscText


@dataclass(frozen=True)
class _Texts:
    """Texts that both the disc and its tracks have, encoded by `disc_text`."""

    title: str
    performer: str
    songwriter: str = ""
    composer: str = ""
    arranger: str = ""
    message: str = ""


@dataclass(frozen=True)
class TrackTexts(_Texts):
    """Texts, ISRC and flags of one track; empty where there are none."""

    isrc: str | None = None
    copy_permitted: bool = False
    pre_emphasis: bool = False

    @property
    def flags(self) -> tuple[str, ...]:
        """Names of its control flags in a cue sheet."""
        flags = (("DCP", self.copy_permitted), ("PRE", self.pre_emphasis))
        return tuple(name for name, is_set in flags if is_set)


@dataclass(frozen=True)
class ReleaseTexts(_Texts):
    """Texts and codes of the whole disc; empty where there are none."""

    catalogue_number: str = ""
    genre: str = ""
    year: str = ""
    barcode: str | None = None


def release_texts(manifest: Manifest) -> ReleaseTexts:
    """Return the texts of a release on its discs."""
    release = manifest.release
    return ReleaseTexts(
        **_encoded(release.cd_text, title=release.title, performer=release.artist),
        catalogue_number=disc_text(release.catalogue_number or ""),
        genre=disc_text(release.genre or ""),
        year=(release.release_date or "")[:4],
        barcode=release.barcode,
    )


def track_texts(manifest: Manifest, index: int) -> TrackTexts:
    """Return the texts of a track on its disc; composers and lyricists are its songwriters."""
    track = manifest.tracks[index]
    writers = dict.fromkeys((*track.composers, *track.lyricists))
    return TrackTexts(
        **_encoded(
            track.cd_text,
            title=track.full_title,
            performer=manifest.artist_of(track),
            songwriter=" / ".join(writers),
            composer=" / ".join(track.composers),
            arranger=" / ".join(track.arrangers),
        ),
        isrc=track.isrc,
        copy_permitted=track.copy_permitted,
        pre_emphasis=track.pre_emphasis,
    )


def _encoded(override: DiscText | None, **texts: str) -> dict[str, str]:
    """Return texts in the disc's alphabet; `cd_text` of the manifest overrides them."""
    overrides = override.model_dump(exclude_none=True) if override else {}
    return {field: disc_text(text) for field, text in texts.items()} | overrides
