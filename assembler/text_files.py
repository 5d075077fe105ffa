"""Read a small file that comes from outside: a regular file, within a bound, decoded.

Manifests, song lists, approvals and the reports of finished releases are read here, so that a pipe
or a device never hangs a command and no file fills the memory. Byte-order marks: The Unicode
Standard, section 23.8; Windows-1252 as in the WHATWG Encoding Standard (both from memory).
"""

from __future__ import annotations

import codecs
import os
import stat
from dataclasses import dataclass
from pathlib import Path

from assembler.errors import FindingsError
from assembler.findings import Finding

_MARKS = (
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF32_LE, "utf-32-le"),  # before UTF-16, whose mark it begins with
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)
_NAMES = {"utf-8": "UTF-8", "cp1252": "Windows-1252 (Latin-1)", "latin-1": "Latin-1"}
_KINDS = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
    (stat.S_ISCHR, "a device"),
    (stat.S_ISBLK, "a device"),
)


@dataclass(frozen=True)
class OutsideFile:
    """A file that the user named, and how much of it may be read.

    Attributes
    ----------
    path
        The path that the user gave.
    what
        What it should be, for messages and codes: ``manifest``, ``song list``, ``approval``.
    most_bytes
        A longer file is refused; nothing beyond this is read.
    """

    path: Path
    what: str
    most_bytes: int

    def read_bytes(self) -> bytes:
        """Read the whole file.

        Raises
        ------
        FindingsError
            The file is missing, is not a regular file, can't be read, or is too long.
        """
        try:
            self._refuse_kind(os.stat(self.path).st_mode)  # noqa: PTH116  (accepts any name)
            # a pipe put there in the meantime would wait for a writer: O_NONBLOCK opens it at once
            descriptor = os.open(self.path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0))
            with open(descriptor, "rb") as file:  # noqa: PTH123  (a descriptor has no path)
                self._refuse_kind(os.fstat(descriptor).st_mode)
                content = file.read(self.most_bytes + 1)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error) or "can't be read"
            raise self._unreadable(f"{reason.lower()}: check the path") from error
        if len(content) > self.most_bytes:
            raise self.refusal("too-long", f"longer than {_size(self.most_bytes)}")
        return content

    def read_text(self) -> str:
        """Read the file as UTF-8, with or without a byte-order mark.

        Raises
        ------
        FindingsError
            As for `read_bytes`, or the file is not UTF-8; the line is named.
        """
        content = self.read_bytes()
        try:
            return _without_nul(content, content.decode("utf-8-sig"))
        except UnicodeDecodeError as error:
            line = content[: error.start].count(b"\n") + 1
            message = "this line is not UTF-8 text: save the file as UTF-8"
            raise self._error("not-utf-8", message, line) from error

    def read_any_text(self) -> tuple[str, str]:
        """Read the file in whatever encoding mail programs and spreadsheets save.

        A byte-order mark decides. Without one, UTF-16 is known by its zero bytes, and what is not
        UTF-8 is read as Windows-1252, which includes Latin-1.

        Returns
        -------
        text, encoding
            The text without the mark, and the encoding's name for a person.

        Raises
        ------
        FindingsError
            As for `read_bytes`, or the file is not text.
        """
        content = self.read_bytes()
        for mark, encoding in _MARKS:
            if content.startswith(mark):
                return self._decoded(content[len(mark) :], (encoding,))
        unmarked = _utf_16_without_mark(content)
        if unmarked:
            return self._decoded(content, (unmarked,))
        return self._decoded(content, ("utf-8", "cp1252", "latin-1"))

    def _decoded(self, content: bytes, encodings: tuple[str, ...]) -> tuple[str, str]:
        for encoding in encodings:
            try:
                text = content.decode(encoding)
            except UnicodeDecodeError:
                continue
            if "\0" not in text:
                return text, _NAMES.get(encoding, encoding.upper())
        message = "this is not text in UTF-8, UTF-16 or Latin-1: save the file as UTF-8 text"
        raise self._error("not-text", message)

    def refusal(self, code: str, reason: str) -> FindingsError:
        """Return the error that says that this file is not what it should be."""
        article = "an" if self.what[0] in "aeiou" else "a"
        return self._error(f"{self._kebab}-{code}", f"{reason}: this is not {article} {self.what}")

    @property
    def _kebab(self) -> str:
        return self.what.replace(" ", "-")

    def _refuse_kind(self, mode: int) -> None:
        if stat.S_ISREG(mode):
            return
        kind = next((name for is_kind, name in _KINDS if is_kind(mode)), "not a file")
        remedy = "check the path" if stat.S_ISDIR(mode) else "save it as a file first"
        raise self._unreadable(f"this is {kind}: {remedy}")

    def _unreadable(self, message: str) -> FindingsError:
        return self._error(f"unreadable-{self._kebab}", message)

    def _error(self, code: str, message: str, line: int = 0) -> FindingsError:
        return FindingsError([Finding("error", code, "", str(self.path), line, message)])


def _without_nul(content: bytes, text: str) -> str:
    if "\0" in text:
        raise UnicodeDecodeError("utf-8", content, content.index(b"\0"), len(content), "zero")
    return text


def _utf_16_without_mark(content: bytes) -> str | None:
    """Name UTF-16 whose mark is lost: Latin text has a zero in nearly every other byte."""
    even, odd = content[0::2].count(0), content[1::2].count(0)
    half = len(content) // 4
    if odd > half and not even:
        return "utf-16-le"
    return "utf-16-be" if even > half and not odd else None


def _size(size_bytes: int) -> str:
    return f"{size_bytes / 1e6:g} MB"
