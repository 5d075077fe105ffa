"""PDF pages read by pdfium where Poppler is not there: words with their places, and pictures."""

from __future__ import annotations

import re
from collections.abc import Iterator
from itertools import groupby
from pathlib import Path
from typing import NamedTuple
from xml.sax.saxutils import escape

import pypdfium2

_HYPHEN = re.compile("[\x02\ufffe]\n?")
"""What pdfium gives for one at the end of a line."""
_RIGHT_TO_LEFT = re.compile("[\u0590-\u08ff]")


class Word(NamedTuple):
    """A word of a page and its box in points from the left upper corner."""

    text: str
    left: float
    top: float
    right: float
    bottom: float


_SAME_LINE_PT = 2.5
"""Feet of fonts and sizes on one line differ by less; lines are further apart."""


def words_of(page: pypdfium2.PdfPage) -> list[Word]:
    """Return the words of a page in the order in which it prints them."""
    text, height = page.get_textpage(), page.get_height()
    signs = [(n, text.get_text_range(n, 1)) for n in range(text.count_chars())]
    signs = [(n, re.sub(_HYPHEN, "-", sign)) for n, sign in signs]
    words = []
    for blank, group in groupby(signs, key=lambda sign: not sign[1].strip()):
        if blank:
            continue
        places = list(group)
        boxes = [text.get_charbox(n, loose=True) for n, _ in places]
        left, bottom, right, top = zip(*boxes, strict=True)
        word = "".join(sign for _, sign in places)
        words.append(Word(word, min(left), height - max(top), max(right), height - min(bottom)))
    return words


def lines_of(words: list[Word]) -> Iterator[str]:
    """Lay words out on a grid as they stand on the page, line by line."""
    rows: list[list[Word]] = []
    for word in sorted(words, key=lambda word: word.bottom):
        if not rows or word.bottom - rows[-1][0].bottom > _SAME_LINE_PT:
            rows.append([])
        rows[-1].append(word)
    for row in rows:
        line, end = "", 0.0
        for word in sorted(row, key=lambda word: word.left):
            near = bool(line) and word.left - end < max(4, 0.45 * (word.bottom - word.top))
            line = f"{line} " if near else line.ljust(round(word.left / 4))
            line, end = line + word.text, word.right
        yield line


def pdf_text(pdf: Path, how: str) -> str:
    """Return a file's text as `pdftotext` does: plain, `-raw`, `-layout` or `-bbox`."""
    pages = []
    with pypdfium2.PdfDocument(pdf) as document:
        for page in document:
            if how == "-bbox":
                rows = (
                    f'<word xMin="{w.left:.6f}" yMin="{w.top:.6f}" xMax="{w.right:.6f}" '
                    f'yMax="{w.bottom:.6f}">{escape(w.text)}</word>\n'
                    for w in words_of(page)
                )
                pages.append(f"<page >\n{''.join(rows)}")
            elif how == "-layout":
                pages.append("\n".join(lines_of(words_of(page))) + "\n\f")
            else:
                plain = page.get_textpage().get_text_range().replace("\r\n", "\n")
                pages.append(re.sub(_HYPHEN, "-", plain) + "\n\f")
    return "".join(pages)


def pdf_pictures(pdf: Path, prefix: Path, *, dots: float, last: int, single: bool) -> None:
    """Render the first pages in grey as `pdftoppm` does, an inch as so many dots."""
    with pypdfium2.PdfDocument(pdf) as document:
        for number in range(min(last, len(document))):
            picture = document[number].render(scale=dots / 72, grayscale=True).to_pil()
            picture.save(f"{prefix}.png" if single else f"{prefix}-{number + 1:02d}.png")


def in_place_of_poppler(program: str, arguments: list[str]) -> str | None:
    """Do what a program of Poppler does with these arguments; None where it is none that is known.

    Returns
    -------
    str or None
        What it prints.
    """
    if program == "pdftotext":
        *options, pdf, _ = arguments
        how = options[0] if options else ""
        text = pdf_text(Path(pdf), how)
        in_order = how in ("-layout", "-bbox") or not _RIGHT_TO_LEFT.search(text)
        return text if in_order else None  # pdfium leaves it turned round
    if program == "pdfinfo":
        with pypdfium2.PdfDocument(arguments[-1]) as document:
            return f"Pages:           {len(document)}\n"
    if program == "pdftoppm":
        *options, pdf, prefix = arguments
        dots = float(options[options.index("-r") + 1])
        last = int(options[options.index("-l") + 1]) if "-l" in options else 999
        single = "-singlefile" in options
        pdf_pictures(Path(pdf), Path(prefix), dots=dots, last=1 if single else last, single=single)
        return ""
    return None
