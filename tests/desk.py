"""A desk to work at in tests: a folder with two small recordings, and manifests written to it."""

from __future__ import annotations

import json
import unicodedata
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from assembler.commands.main import main

RATE_HZ = 8000
MANIFEST = """\
release:
  artist: Halden Ferry Singers
  title: Songs for Slack Water
  catalogue_number: TWE-014
download:
  formats: [flac-16]
tracks:
  - title: Low Lantern
    audio: a.wav
  - title: Tide Table
    audio: b.wav
"""


def hum(seconds: float = 5.0, rate_hz: int = RATE_HZ, hz: float = 220.0) -> NDArray[np.float64]:
    """Return a steady tone at about -17 LUFS."""
    wave: NDArray[np.float64] = 0.2 * np.sin(
        2 * np.pi * hz * np.arange(round(seconds * rate_hz)) / rate_hz
    )
    return wave


def contents(folder: Path) -> dict[str, bytes | None]:
    """Return everything below a folder: a file's bytes, None for a folder."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() if path.is_file() else None
        for path in sorted(folder.rglob("*"))
    }


def around(desk: Desk) -> list[Path]:
    """List all files around the output folder, without the tests' own store."""
    folders = (desk.folder, desk.folder.parent, Path("/"))
    paths = (path for folder in folders for path in folder.iterdir())
    return sorted(path for path in paths if path != desk.out and "store" not in path.name)


def names_and_sizes(folder: Path) -> dict[str, int]:
    """Return the size of everything below a folder, without opening it."""
    return {str(path): path.lstat().st_size for path in folder.rglob("*")}


_CONTROLS = ("Cc", "Zl", "Zp")


def line_of(error: dict[str, Any]) -> str:
    """Return the line that a terminal shows of an error."""
    if error["code"] == "stopped":
        return str(error["message"])
    place = f"{error['file']}:{error['line']}" if error["line"] else error["file"]
    field = f" {error['where']}" if error["where"] else ""
    return f"error {place}{field}: {error['message']}"


@dataclass(frozen=True)
class Desk:
    """A folder to work in."""

    folder: Path
    capsys: pytest.CaptureFixture[str]

    @property
    def out(self) -> Path:
        """Where releases are to lie."""
        return self.folder / "finished"

    @property
    def release(self) -> Path:
        """Where the usual release is to lie."""
        return self.out / "TWE-014"

    def write(self, text: str | bytes = MANIFEST, name: str = "songs.yaml") -> Path:
        """Write a manifest."""
        path = self.folder / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path

    def sound(self, name: str, samples: NDArray[Any], rate_hz: int = RATE_HZ, **how: str) -> Path:
        """Write a recording, 16 bit if `how` does not say otherwise."""
        path = self.folder / name
        soundfile.write(path, samples, rate_hz, **{"subtype": "PCM_16", **how})
        return path

    def run(self, *arguments: str | Path) -> tuple[int, str, str]:
        """Run a command; give its exit code, standard output and standard error."""
        self.capsys.readouterr()
        code = main([str(argument) for argument in arguments])
        return code, *self.capsys.readouterr()

    def error_line(self, *arguments: str | Path) -> str:
        """Check that a command fails with one line and nothing else, and return it."""
        code, out, err = self.run(*arguments)
        assert code == 1
        (line,) = (out + err).splitlines()
        return line

    def json(self, *arguments: str | Path) -> tuple[int, dict[str, Any]]:
        """Run a command with --json; give its exit code and document."""
        code, out, _ = self.run(*arguments, "--json")
        return code, json.loads(out)

    def build(self, text: str | bytes = MANIFEST, *more: str) -> dict[str, Any]:
        """Build a manifest that must build."""
        code, document = self.json("build", self.write(text), "--out", self.out, *more)
        assert (code, document["ok"]) == (0, True), document["findings"]
        return document

    def refused(
        self, text: str | bytes, code: str, *, at: str, where: str | None = None
    ) -> dict[str, Any]:
        """Check that a build reports one error, of this code and on this line, and writes nothing.

        Parameters
        ----------
        text
            The manifest.
        code
            Of the finding.
        at
            Part of the line that the finding must name.
        where
            The field that it must name.

        Returns
        -------
        dict
            The finding.
        """
        path = self.write(text)
        before = contents(self.folder)
        exit_code, document = self.json("build", path, "--out", self.out)
        assert contents(self.folder) == before
        errors = [found for found in document["findings"] if found["severity"] == "error"]
        assert [error["code"] for error in errors] == [code]
        (error,) = errors
        assert (exit_code, document["ok"]) == (1, False)
        assert error["file"] == str(path)
        assert at in path.read_text(encoding="utf-8").splitlines()[error["line"] - 1]
        if where is not None:
            assert error["where"] == where
        assert 10 < len(error["message"]) == len(error["message"].splitlines()[0])
        assert not [sign for sign in error["message"] if unicodedata.category(sign) == "Cc"]
        self._refused_in_words(path, error)
        assert contents(self.folder) == before
        return error

    def reported_clearly(self, *arguments: str | Path) -> tuple[int, list[dict[str, Any]]]:
        """Check that a command reports each error in one line and writes nothing.

        Returns
        -------
        exit_code, errors
            0 and an empty list where the input is good.
        """
        before = names_and_sizes(self.folder)
        exit_code, document = self.json(*arguments)
        errors = [found for found in document.get("findings", ()) if found["severity"] == "error"]
        assert (exit_code, bool(errors)) in ((0, False), (1, True))
        assert not [e for e in errors if "a bug in this program" in e["message"]]
        if not errors:
            return exit_code, errors
        shown_code, out, err = self.run(*arguments)
        assert shown_code == exit_code
        assert not [s for s in out + err if unicodedata.category(s) in _CONTROLS and s != "\n"]
        stopped = errors[0]["code"] == "stopped"
        lines = [line for line in (out + err).splitlines() if stopped or line.startswith("error ")]
        assert sorted(lines) == sorted(map(line_of, errors))
        assert all(10 < len(error["message"]) < 700 for error in errors)
        assert names_and_sizes(self.folder) == before
        return exit_code, errors

    def _refused_in_words(self, path: Path, error: dict[str, Any]) -> None:
        exit_code, out, err = self.run("build", path, "--out", self.out)
        lines = [line for line in (out + err).splitlines() if line.startswith("error")]
        assert exit_code == 1
        assert len(lines) == 1
        assert f"{path}:{error['line']}" in lines[0]
        assert error["message"] in lines[0]
        assert "Traceback" not in out + err


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    """A folder with the recordings a.wav and b.wav, 5 s each."""
    made = Desk(tmp_path, capsys)
    made.sound("a.wav", hum())
    made.sound("b.wav", hum(hz=330))
    return made
