"""Have a PDF read by a process of its own: whatever it holds, this one goes on."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from pydantic import TypeAdapter, ValidationError

from assembler.artwork.reading import PdfReading

MOST_BYTES = 1_000_000_000


@dataclass(frozen=True)
class Limits:
    """What the reading of one file may take."""

    megabytes: int = 3000
    seconds: int = 90


def read_pdf(path: Path, folder: Path, limits: Limits = Limits()) -> PdfReading:
    """Read a PDF.

    Parameters
    ----------
    path
        The file.
    folder
        Where its rendered pages are written.
    limits
        Of memory and time.

    Returns
    -------
    PdfReading
        With an error where it can't be read.
    """
    try:
        size = path.stat().st_size
    except OSError:
        return PdfReading("it is not there: correct the path")
    if not path.is_file():
        return PdfReading("it is not a file: name a PDF")
    if size > MOST_BYTES:
        return PdfReading("it is larger than 1 GB: export it with its images at 300 ppi")
    command = [sys.executable, "-m", "assembler.artwork.read_pdf", str(path.resolve()), str(folder)]
    command += [str(limits.megabytes), str(limits.seconds)]
    try:
        done = subprocess.run(
            command, capture_output=True, stdin=subprocess.DEVNULL, timeout=limits.seconds
        )
    except subprocess.TimeoutExpired:
        return PdfReading(_too_much(limits))
    try:
        return TypeAdapter(PdfReading).validate_json(done.stdout)
    except ValidationError:
        return PdfReading(_too_much(limits))


def _too_much(limits: Limits) -> str:
    return (
        f"it can't be read in {limits.seconds} s and {limits.megabytes / 1000:g} GB of memory: "
        "export it again, with simpler artwork"
    )
