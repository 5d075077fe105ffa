"""The listening page's server: its data, edits, sound and pictures."""

from __future__ import annotations

import asyncio
import base64
from collections.abc import AsyncIterator, Callable
from contextlib import asynccontextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.requests import Request
from starlette.responses import JSONResponse, Response, StreamingResponse
from starlette.routing import Route

from assembler.cache.folder import CacheFolder
from assembler.draft.song_list import song_list
from assembler.errors import AssemblerError, FindingsError
from assembler.findings import Finding
from assembler.listen.answers import body_of, names_in, number_in, ranged, whole
from assembler.listen.changes import Changes
from assembler.listen.decided import Decided
from assembler.listen.document import document
from assembler.listen.edits import changed_text
from assembler.listen.known_page import KnownPage
from assembler.listen.level_picture import level_picture
from assembler.listen.measured_sides import MeasuredSide, MeasuredSides
from assembler.listen.pictures import peaks_json
from assembler.listen.revisions import ConflictError, Revision, Revisions
from assembler.listen.side_sound import removing_steps, side_stretch
from assembler.listen.sound import Sound
from assembler.listen.stretch import NoSoundError, Stretch
from assembler.manifest import ManifestFile
from assembler.restoration.chain import Resolved
from assembler.sequence.limits import MOST_TRACKS

_WATCH_MS = 200
_LOAD_AFTER_S = 1.0


class Desk:
    """Answers the page's requests.

    Parameters
    ----------
    revisions
        The manifest.
    sound
        What is played.
    sides
        What is measured of tape sides.
    decided
        Which decisions are made.
    changes
        Wakes the pages.
    known
        The page as it was shown last.
    """

    def __init__(
        self,
        revisions: Revisions,
        sound: Sound,
        sides: MeasuredSides,
        decided: Decided,
        changes: Changes,
        known: KnownPage,
    ) -> None:
        self._revisions = revisions
        self._sound = sound
        self._sides = sides
        self._decided = decided
        self._changes = changes
        self._known = known

    def close(self) -> None:
        """End all work."""
        self._sides.close()
        self._sound.close()

    def app(self) -> Starlette:
        """Return the application."""
        get = ["GET"]
        routes = [
            Route("/release.json", self._document, methods=get),
            Route("/changes", self._stream, methods=get),
            Route("/edits", self._edit, methods=["POST"]),
            Route("/undo", self._undo, methods=["POST"]),
            Route("/redo", self._redo, methods=["POST"]),
            Route("/decided", self._decide, methods=["POST"]),
            Route("/audio/track/{number:int}", self._track, methods=get),
            Route("/audio/join/{first:int}-{second:int}", self._join, methods=get),
            Route("/picture/track/{number:int}", self._picture, methods=get),
            Route("/picture/track/{number:int}/level", self._level_picture, methods=get),
            Route("/picture/side/{number:int}", self._side_picture, methods=get),
            Route("/picture/side/{number:int}/spectrum", self._side_spectrum, methods=get),
            Route("/propose/side/{number:int}", self._propose, methods=["POST"]),
            Route("/audio/side/{number:int}", self._side, methods=get),
        ]
        return Starlette(routes=routes)

    @asynccontextmanager
    async def running(self) -> AsyncIterator[None]:
        """Measure and finish the current revision, and every next one."""
        self._changes.attach()
        self._new_sound()
        tasks = [asyncio.create_task(work()) for work in (self._watch, self._load_code)]
        try:
            yield
        finally:
            for task in tasks:
                task.cancel()
            await asyncio.to_thread(self._keep)

    async def _load_code(self) -> None:
        """Load what the first edit would wait for, once the page is open or has had time for it."""
        if self._known.document is None:
            await asyncio.sleep(_LOAD_AFTER_S)
        await asyncio.to_thread(self._sound.load_code)

    async def _watch(self) -> None:
        """Read the manifest again when it changes outside."""
        from watchfiles import awatch

        path = self._revisions.path.resolve()
        async for _ in awatch(path.parent, step=_WATCH_MS, recursive=False):
            if await asyncio.to_thread(self._revisions.read_again):
                self._new_revision()

    def _new_revision(self) -> None:
        self._new_sound()
        self._changes()

    def _new_sound(self) -> None:
        """Play the current revision; one that can't be read changes nothing."""
        current = self._revisions.current
        if current.report and current.text is not None:
            self._sides.measure(current.report)
            self._sound.settle(current.report)

    def _document(self, _request: Request) -> Response:
        return JSONResponse(self._keep())

    async def _stream(self, _request: Request) -> Response:
        return StreamingResponse(self._changes.stream(), media_type="text/event-stream")

    async def _edit(self, request: Request) -> Response:
        body = await body_of(request)

        def change(source: ManifestFile) -> str:
            return changed_text(source, body)

        return await self._revise(lambda: self._revisions.edit(whole(body.get("revision")), change))

    async def _undo(self, request: Request) -> Response:
        number = (await body_of(request)).get("revision")
        return await self._revise(lambda: self._revisions.undo(whole(number)))

    async def _redo(self, request: Request) -> Response:
        number = (await body_of(request)).get("revision")
        return await self._revise(lambda: self._revisions.redo(whole(number)))

    async def _decide(self, request: Request) -> Response:
        """Keep which decisions are made; a number that changes opens its decision again."""
        found = (await body_of(request)).get("decided")
        if not isinstance(found, list) or not all(isinstance(one, str) for one in found):
            return self._refused(422, "not-written", "`decided` must be a list of texts")
        await asyncio.to_thread(self._decided.keep, found)
        return JSONResponse(self._shown())

    def _shown(self) -> dict[str, Any]:
        return document(self._revisions, self._sound, self._sides, self._decided, self._known)

    def _keep(self) -> dict[str, Any]:
        """Return what is shown, and keep it for the next session."""
        revision, shown = self._revisions.current, self._shown()
        if shown["revision"] == revision.number:
            self._known.keep(shown, revision)
        return shown

    async def _revise(self, step: Callable[[], Revision]) -> Response:
        """Make a revision, and return the whole page's data or the reason why not."""
        before = self._revisions.current.number
        try:
            await asyncio.to_thread(step)
        except ConflictError as error:
            self._new_revision()
            return self._refused(409, "conflict", str(error))
        except FindingsError as error:
            findings = [finding.as_json() for finding in error.findings]
            return JSONResponse({"ok": False, "findings": findings}, 422)
        except AssemblerError as error:
            return self._refused(422, "not-written", str(error))
        if self._revisions.current.number != before:
            self._new_revision()
        return JSONResponse(self._shown())

    def _refused(self, status: int, code: str, message: str) -> Response:
        finding = Finding("error", code, "", str(self._revisions.path), 0, message)
        return JSONResponse({"ok": False, "findings": [finding.as_json()]}, status)

    def _track(self, request: Request) -> Response:
        index = request.path_params["number"] - 1
        span_s = _span_s(request)
        without, step = names_in(request, "without"), request.query_params.get("step")
        stages: dict[str, Callable[[], Stretch]] = {
            "finished": lambda: self._sound.track(index, *span_s),
            "source": lambda: self._sound.source(index, *span_s),
            "restored": lambda: self._sound.restored(index, *span_s, without),
            "removed": lambda: self._sound.removed(index, *span_s, step),
        }
        stage = request.query_params.get("stage", "finished")
        if stage not in stages:
            return self._refused(404, "no-sound", f"there is no stage `{stage[:40]}`")
        return self._played(request, stages[stage])

    def _join(self, request: Request) -> Response:
        first, second = (request.path_params[name] - 1 for name in ("first", "second"))
        before_s = -number_in(request, "from", -8.0)
        after_s = number_in(request, "to", 8.0)
        return self._played(request, lambda: self._sound.join(first, second, before_s, after_s))

    def _played(self, request: Request, stretch: Callable[[], Stretch]) -> Response:
        return self._answered(lambda: ranged(request, stretch()))

    def _answered(self, answer: Callable[[], Response]) -> Response:
        """Return an answer that reads sound, or the reason why there is none."""
        before = self._revisions.current.number
        try:
            return answer()
        except AssemblerError as error:
            return self._refused(
                404 if isinstance(error, NoSoundError) else 409, "no-sound", str(error)
            )
        except FileNotFoundError:  # the files of an old revision are removed
            if self._revisions.current.number == before:
                raise
            return self._refused(409, "no-sound", "the manifest was edited meanwhile: play again")

    def _picture(self, request: Request) -> Response:
        index, width = request.path_params["number"] - 1, int(number_in(request, "width", 800.0))
        span_s = _span_s(request)
        return self._answered(
            lambda: JSONResponse(peaks_json(self._sound.source(index, *span_s), width))
        )

    def _level_picture(self, request: Request) -> Response:
        index, span_s = request.path_params["number"] - 1, _span_s(request)
        return self._answered(lambda: JSONResponse(level_picture(self._sound, index, *span_s)))

    def _side_named(self, request: Request) -> tuple[str, MeasuredSide]:
        """Return the side of a request: they are numbered from 1, in the manifest's order."""
        report = self._revisions.current.report
        names = list(report.source.manifest.transfers) if report else []
        number = request.path_params["number"]
        side = self._sides.side(names[number - 1]) if 0 < number <= len(names) else None
        if side is None:
            raise NoSoundError("there is no such side, or it is not read yet")
        return names[number - 1], side

    def _side_picture(self, request: Request) -> Response:
        """Return a tile of a side's waveform: a level and a number."""
        try:
            _, side = self._side_named(request)
            if side.peaks is None:
                raise NoSoundError("the side is not read yet")
            level, tile = (int(number_in(request, name, 0.0)) for name in ("level", "tile"))
            return JSONResponse(side.peaks.tile(level, tile))
        except AssemblerError as error:
            return self._refused(404, "no-picture", str(error))

    def _side_spectrum(self, request: Request) -> Response:
        """Return the picture of a side's spectrum over time, from 20 Hz upwards."""
        try:
            _, side = self._side_named(request)
        except AssemblerError as error:
            return self._refused(404, "no-picture", str(error))
        if not side.survey or not side.survey["spectrum"]:
            return self._refused(404, "no-picture", "the spectrum is not measured yet")
        return Response(base64.b64decode(side.survey["spectrum"]), media_type="image/png")

    def _side(self, request: Request) -> Response:
        """Return a stretch of a side, of the transfer or restored, on the transfer's clock."""

        def stretch() -> Stretch:
            name, side = self._side_named(request)
            span_s = _span_s(request)
            steps, stage = self._sides.steps(name), request.query_params.get("stage")
            if stage == "source":
                return side_stretch(side.recording, Resolved(), span_s)
            if stage != "removed":
                return side_stretch(side.recording, steps, span_s, names_in(request, "without"))
            without = names_in(request, "step") or removing_steps(steps)
            return side_stretch(side.recording, steps, span_s, without, less=steps)

        return self._played(request, stretch)

    async def _propose(self, request: Request) -> Response:
        """Find the songs of a side, as many as are given or listed."""
        body = await body_of(request)
        try:
            name, _ = self._side_named(request)
            count, text = body.get("count"), body.get("titles")
            listed = song_list(text).songs if isinstance(text, str) and text.strip() else None
            wanted = count if isinstance(count, int) and 0 < count <= MOST_TRACKS else None
            await asyncio.to_thread(self._sides.propose, name, wanted, listed)
        except AssemblerError as error:
            return self._refused(422, "no-songs", str(error))
        return JSONResponse(self._shown())


def _span_s(request: Request) -> tuple[float, float | None]:
    return number_in(request, "from", 0.0), number_in(request, "to")


def opened_desk(
    path: Path, cache: CacheFolder, scratch: Path, decided: Decided, known: KnownPage
) -> Desk:
    """Return the desk of a manifest.

    Raises
    ------
    FindingsError
        The manifest can't be loaded.
    """
    revisions, changes = Revisions(path), Changes()
    if known.document and not known.is_of(revisions.current.text):
        revisions.current = replace(revisions.current, number=2)  # another is shown as the first
    sides = MeasuredSides(cache, scratch, changes)
    sound = Sound(cache, scratch, changes, sides.steps, sides.whole_side, known.gains)
    return Desk(revisions, sound, sides, decided, changes, known)
