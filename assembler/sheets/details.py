"""What shops and collecting societies ask for, as named texts for label copy and credits sheet."""

from __future__ import annotations

from collections.abc import Sequence

from assembler.manifest import Manifest
from assembler.manifest.model import Release
from assembler.metadata import TrackMetadata, is_compilation
from assembler.sheets.people import tracks_text
from assembler.text import date_text
from assembler.typeset.blocks import Block, Row

DETAILS = "For shops and collecting societies"
Field = tuple[str, str | None]
"""A name and its text; None where it is missing."""


def with_symbol(symbol: str, line: str | None) -> str | None:
    """Return a ℗ or © line with its symbol in front."""
    return line if line is None or line.startswith(symbol) else f"{symbol} {line}"


def release_details(manifest: Manifest) -> tuple[Field, ...]:
    """Return what shops ask for about a release, as far as the manifest has it."""
    release = manifest.release
    return _known(
        ("Artist in alphabetical lists", release.sort_name),
        ("Subgenre", release.subgenre),
        ("Advisory", release.advisory),
        ("Compilation", "yes" if is_compilation(manifest) else None),
        ("First released", _date(release.original_release_date)),
        ("Territories (ISO 3166)", ", ".join(release.territories)),
    )


def track_details(release: Release, track: TrackMetadata) -> tuple[Field, ...]:
    """Return what they ask for about a track, as far as it differs from the release."""
    details = track.details
    return _known(
        ("Featuring", ", ".join(details.featuring)),
        ("Remixed by", ", ".join(details.remixers)),
        ("Work", work_text(track)),
        ("ISWC", details.iswc),
        ("Writers with IPI", "; ".join(writer.text for writer in details.writers_ipi)),
        ("Instrumental", "yes" if details.instrumental else None),
        ("Language (ISO 639)", _other(details.language, release.language)),
        ("Language of the lyrics (ISO 639)", _other(details.lyrics_language, details.language)),
        ("Advisory", _other(details.advisory, release.advisory)),
        ("Genre", _other(details.genre, release.genre)),
        ("Country of recording (ISO 3166)", details.recording_country),
        ("First released",
         _date(_other(details.original_release_date, release.original_release_date))),
        ("℗ line", with_symbol("℗", _other(details.p_line, release.p_line))),
    )  # fmt: skip


def publishers_text(track: TrackMetadata) -> str:
    """Return the publishers of a track, each with its share and IPI."""
    return "; ".join(publisher.text for publisher in track.details.publishers)


def own_p_lines(release: Release, tracks: Sequence[TrackMetadata]) -> tuple[Field, ...]:
    """Return the ℗ lines that are not the release's, each with its tracks."""
    lines: dict[str, list[TrackMetadata]] = {}
    for track in tracks:
        if line := _other(track.details.p_line, release.p_line):
            lines.setdefault(line, []).append(track)
    return tuple(
        (f"℗ line, track{'s' if len(of) > 1 else ''} {tracks_text(of)}", with_symbol("℗", line))
        for line, of in lines.items()
    )


def details_blocks(manifest: Manifest, tracks: Sequence[TrackMetadata]) -> tuple[Block, ...]:
    """Return the blocks that list all details, of the release and of each track."""
    rows = []
    for track in tracks:
        shares = publishers_text(track)
        own = () if shares == (track.publisher or "") else (("Publishers", shares),)
        if fields := (*track_details(manifest.release, track), *own):
            text = "; ".join(f"{name}: {text}" for name, text in fields)
            rows.append(Row(track.title, tracks_text([track]), details=(text,)))
    release = tuple(Row(text or "", label=name) for name, text in release_details(manifest))
    return (Block(DETAILS, release), Block(f"{DETAILS}, track by track", tuple(rows)))


def work_text(track: TrackMetadata) -> str | None:
    """Return work and movement: ``Rounds for Low Water: 2. Ropewalk``."""
    details = track.details
    number = f"{details.movement_number}." if details.movement_number else None
    movement = " ".join(text for text in (number, details.movement) if text)
    return ": ".join(text for text in (details.work, movement) if text) or None


def _known(*fields: Field) -> tuple[Field, ...]:
    return tuple(field for field in fields if field[1])


def _other(own: str | None, general: str | None) -> str | None:
    return None if own == general else own


def _date(date: str | None) -> str | None:
    return date and date_text(date)
