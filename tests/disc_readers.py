"""What a disc's files say to libraries and programs from outside: libcue, libcdio, metaflac.

Functions, fields and values of libcue are those of libcue.h (2.2.1), of libcdio those of
cdio/cdtext.h (2.1.0); which number a field of CD-Text has libcdio itself says.
"""

from __future__ import annotations

import re
import shutil
from ctypes import c_char_p, c_int, c_long, c_size_t, c_ubyte, c_void_p
from dataclasses import dataclass
from pathlib import Path

import outside
from outside import output_of

from assembler.manifest.times import parse_frames

_PTI_TITLE, _PTI_PERFORMER, _PTI_SONGWRITER = 0, 1, 2
_FLAGS = {"PRE": 0x01, "DCP": 0x02, "4CH": 0x04}


@dataclass(frozen=True)
class CueTrack:
    """One track of a cue sheet; indexes in frames by number, pregap what lies outside the file."""

    title: str | None
    performer: str | None
    songwriter: str | None
    isrc: str | None
    flags: frozenset[str]
    file: str
    indexes: dict[int, int]
    pregap: int | None


@dataclass(frozen=True)
class CueSheet:
    """A cue sheet."""

    title: str | None
    performer: str | None
    songwriter: str | None
    tracks: list[CueTrack]


class _Libcue:
    def __init__(self) -> None:
        self.library = library = outside.library("libcue.so.2", "libcue2")
        kinds: dict[str, tuple[object, list[object]]] = {
            "cue_parse_string": (c_void_p, [c_char_p]),
            "cd_delete": (None, [c_void_p]),
            "cd_get_cdtext": (c_void_p, [c_void_p]),
            "cd_get_ntrack": (c_int, [c_void_p]),
            "cd_get_track": (c_void_p, [c_void_p, c_int]),
            "cdtext_get": (c_char_p, [c_int, c_void_p]),
            "track_get_cdtext": (c_void_p, [c_void_p]),
            "track_get_filename": (c_char_p, [c_void_p]),
            "track_get_index": (c_long, [c_void_p, c_int]),
            "track_get_isrc": (c_char_p, [c_void_p]),
            "track_get_zero_pre": (c_long, [c_void_p]),
            "track_is_set_flag": (c_int, [c_void_p, c_int]),
        }
        for name, (result, arguments) in kinds.items():
            getattr(library, name).restype = result
            getattr(library, name).argtypes = arguments

    def text(self, words: int, number: int) -> str | None:
        text: bytes | None = self.library.cdtext_get(number, words)
        return None if text is None else text.decode("iso-8859-1")

    def texts(self, words: int) -> tuple[str | None, str | None, str | None]:
        return (
            self.text(words, _PTI_TITLE),
            self.text(words, _PTI_PERFORMER),
            self.text(words, _PTI_SONGWRITER),
        )

    def track(self, track: int) -> CueTrack:
        library = self.library
        points = {n: int(library.track_get_index(track, n)) for n in range(100)}
        indexes = {n: frame for n, frame in points.items() if frame >= 0}
        pause = int(library.track_get_zero_pre(track))
        code: bytes | None = library.track_get_isrc(track)
        return CueTrack(
            *self.texts(library.track_get_cdtext(track)),
            isrc=None if code is None else code.decode("ascii"),
            flags=frozenset(n for n, f in _FLAGS.items() if library.track_is_set_flag(track, f)),
            file=library.track_get_filename(track).decode("iso-8859-1"),
            indexes=indexes,
            pregap=pause if 0 not in indexes and pause >= 0 else None,
        )


def by_libcue(content: bytes) -> CueSheet:
    """Read a cue sheet as libcue does."""
    libcue = _Libcue()
    sheet = libcue.library.cue_parse_string(content)
    assert sheet
    try:
        count = libcue.library.cd_get_ntrack(sheet)
        tracks = [libcue.library.cd_get_track(sheet, n) for n in range(1, count + 1)]
        words = libcue.texts(libcue.library.cd_get_cdtext(sheet))
        return CueSheet(*words, [libcue.track(track) for track in tracks])
    finally:
        libcue.library.cd_delete(sheet)


@dataclass(frozen=True)
class CdInfo:
    """What cd-info prints of a cue sheet and its image.

    Attributes
    ----------
    starts
        Index 01 of each track and the lead-out: disc time and image time, in frames.
    flags
        Of each track.
    catalogue
        The 13 digits.
    texts
        By track, 0 for the disc, by field.
    """

    starts: dict[int, tuple[int, int]]
    flags: dict[int, frozenset[str]]
    catalogue: str
    texts: dict[int, dict[str, str]]


_LEAD_OUT = 170
_ROW = re.compile(
    r" *(\d+): (\d\d:\d\d:\d\d)  (\d{6}) (?:leadout|audio  false  (yes|no) +2 +(yes|no))"
)


def cd_info(cue: Path, image: Path, folder: Path) -> CdInfo:
    """Read a cue sheet as libcdio's cd-info does, which wants the image's name to end in .bin.

    Parameters
    ----------
    folder
        An empty one, for links.
    """
    folder.mkdir()
    sheet = Path(shutil.copy(cue, folder / cue.name))
    sheet.with_suffix(".bin").symlink_to(image)
    text = output_of(
        "cd-info", "--no-header", f"--cue-file={sheet}", package="libcdio-utils"
    )  # fmt: skip
    starts, flags = {}, {}
    for number, msf, lsn, copy, emphasis in _ROW.findall(text):
        starts[int(number)] = (parse_frames(msf), int(lsn))
        if int(number) != _LEAD_OUT:
            named = (("DCP", copy), ("PRE", emphasis))
            flags[int(number)] = frozenset(name for name, is_set in named if is_set == "yes")
    texts: dict[int, dict[str, str]] = {}
    for line in text.splitlines():
        if head := re.match(r"CD-TEXT for (?:Disc|Track +(\d+)):", line):
            texts[int(head[1] or 0)] = {}
        elif texts and (field := re.match(r"\t([A-Z_ ]+): (.*)", line)):
            texts[list(texts)[-1]][field[1]] = field[2]
    catalogue = re.search(r"\(MCN\): (\d{13})", text)
    return CdInfo(starts, flags, catalogue[1] if catalogue else "", texts)


class Libcdio:
    """A disc's CD-Text as libcdio reads it."""

    def __init__(self, content: bytes) -> None:
        self.library = outside.library("libcdio.so.19", "libcdio19")
        self.library.cdtext_init.restype = c_void_p
        self.library.cdtext_field2str.restype = c_char_p
        self.library.cdtext_get_const.restype = c_char_p
        self.library.cdtext_get_const.argtypes = [c_void_p, c_int, c_ubyte]
        self.library.cdtext_data_init.argtypes = [c_void_p, c_char_p, c_size_t]
        names = [self.library.cdtext_field2str(number).decode() for number in range(10)]
        self.fields = {name: number for number, name in enumerate(names)}
        self.read = c_void_p(self.library.cdtext_init())
        assert self.library.cdtext_data_init(self.read, content, len(content)) == 0

    def text(self, field: str, track: int) -> str:
        """Return a track's text, or the disc's for track 0; empty where there is none."""
        text: bytes | None = self.library.cdtext_get_const(self.read, self.fields[field], track)
        return (text or b"").decode("utf-8")

    def number(self, function: str) -> int:
        """Return what one of the functions cdtext_get_… returns."""
        return int(getattr(self.library, f"cdtext_get_{function}")(self.read))

    def __enter__(self) -> Libcdio:
        return self

    def __exit__(self, *_: object) -> None:
        self.library.cdtext_destroy(self.read)
