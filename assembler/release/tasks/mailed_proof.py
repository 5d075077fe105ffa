"""Make `proof.zip`: the proof with audio of its own, encoded as well as its size limit allows."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

from assembler.cache.keys import named_key
from assembler.digest import file_digest
from assembler.mastering.render import FinishedTrack
from assembler.proof.content import Proof
from assembler.proof.mailed import (
    COVER,
    NAME,
    MailAudio,
    fitting,
    join_path,
    mailed,
    top_folder,
    track_path,
)
from assembler.proof.page import PAGE, page_html
from assembler.release.artifact_cache import ArtifactCache
from assembler.release.tasks.clips import Clip, encode_copy
from assembler.zip_files import write_zip

Run = Callable[..., Iterable[Any]]
Encode = Callable[[Path], None]


@dataclass(frozen=True)
class MailedProof:
    """A proof to be mailed.

    Attributes
    ----------
    folder
        The release's ``proof`` folder with the finished proof.
    proof
        Its content.
    tracks
        The finished tracks that are played, each with its bit depth.
    clips
        The joins.
    limit_mb
        Greatest size of the archive, in millions of bytes.
    cache
        Encoded files.
    """

    folder: Path
    proof: Proof
    tracks: Sequence[tuple[FinishedTrack, int]]
    clips: tuple[Clip, ...]
    limit_mb: float
    cache: ArtifactCache

    def write(self, run: Run) -> MailAudio | None:
        """Write the archive with the best audio that fits; return how it is encoded, or None.

        Parameters
        ----------
        run
            Like `map`; files are encoded in parallel.
        """
        limit_bytes = self.limit_mb * 1e6
        target = self.folder / NAME
        rest = sum(path.stat().st_size for path in self._other_files().values())
        page = len(page_html(self.proof).encode())
        durations_s = [
            *(track.length / track.rate_hz for track, _ in self.tracks),
            *(clip.duration_s for clip in self.clips),
        ]
        for audio in fitting(durations_s, limit_bytes - rest - page):
            self._write_with(audio, target, run)
            if target.stat().st_size <= limit_bytes:
                return audio
            target.unlink()
        return None

    def _write_with(self, audio: MailAudio, target: Path, run: Run) -> None:
        work: list[tuple[str, Callable[[], Path]]] = []
        for number, (track, bits) in enumerate(self.tracks, 1):
            name = track_path(number, audio)
            key = named_key("mailed track", {"coding": audio.coding}, [track.key])
            encode = partial(encode_copy, track, bits, coding=audio.coding)
            work.append((name, partial(self.cache.cached_file, key, audio.suffix, encode)))
        for clip in self.clips:
            pair = [self.tracks[index][0] for index in clip.indices]
            key = clip.key(pair, audio.coding)
            encode = partial(clip.encode, pair, coding=audio.coding)
            name = join_path(clip.path.stem, audio)
            work.append((name, partial(self.cache.cached_file, key, audio.suffix, encode)))
        made = dict(zip((name for name, _ in work), run(lambda one: one[1](), work), strict=True))
        sha256s = {name: file_digest(path) for name, path in made.items()}
        page = page_html(mailed(self.proof, audio, self.limit_mb, sha256s)).encode()
        write_zip(target, top_folder(self.proof.name), {**self._other_files(), **made, PAGE: page})

    def _other_files(self) -> dict[str, Path]:
        """Return all that is not audio of its own, by path from the page: clips of sides too."""
        files = {
            path.relative_to(self.folder).as_posix(): path
            for path in self.folder.rglob("*")
            if path.is_file() and path.name not in (PAGE, NAME)
        }
        kept = {
            name: path
            for name, path in files.items()
            if name.partition("/")[0] not in ("joins", "tracks")
        }
        if self.proof.cover:
            kept[COVER] = self.folder.parent / self.proof.cover
        return kept
