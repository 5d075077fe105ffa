"""The words that a disc carries: the same ones in its cue sheet and in its CD-Text."""

from __future__ import annotations

from dataclasses import dataclass

from assembler.manifest import Manifest
from assembler.manifest.disc_alphabet import disc_text
from assembler.manifest.model import DiscText


@dataclass(frozen=True)
class TrackTexts:
    """Words, code and flags of one track, spelt by `disc_text`; empty where there are none."""

    title: str
    performer: str
    songwriter: str = ""
    composer: str = ""
    arranger: str = ""
    message: str = ""
    isrc: str | None = None
    copy_permitted: bool = False
    pre_emphasis: bool = False

    @property
    def flags(self) -> tuple[str, ...]:
        """Its control flags, by their names in a cue sheet."""
        flags = (("DCP", self.copy_permitted), ("PRE", self.pre_emphasis))
        return tuple(name for name, is_set in flags if is_set)


@dataclass(frozen=True)
class ReleaseTexts:
    """Words and codes of the whole disc, spelt by `disc_text`; empty where there are none."""

    title: str
    performer: str
    songwriter: str = ""
    composer: str = ""
    arranger: str = ""
    message: str = ""
    catalogue_number: str = ""
    genre: str = ""
    year: str = ""
    barcode: str | None = None


def release_texts(manifest: Manifest) -> ReleaseTexts:
    """Return the words of a release as its discs carry them."""
    release = manifest.release
    return ReleaseTexts(
        **_spelt(release.cd_text, title=release.title, performer=release.artist),
        catalogue_number=disc_text(release.catalogue_number or ""),
        genre=disc_text(release.genre or ""),
        year=(release.release_date or "")[:4],
        barcode=release.barcode,
    )


def track_texts(manifest: Manifest, index: int) -> TrackTexts:
    """Return the words of a track as its disc carries them; its writers are its songwriters."""
    track = manifest.tracks[index]
    writers = dict.fromkeys((*track.composers, *track.lyricists))
    return TrackTexts(
        **_spelt(
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


def _spelt(own: DiscText | None, **texts: str) -> dict[str, str]:
    """Spell texts for the disc; what the manifest itself spells for it stands as written."""
    chosen = own.model_dump(exclude_none=True) if own else {}
    return {field: disc_text(text) for field, text in texts.items()} | chosen
