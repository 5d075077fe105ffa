"""The listening page's server as a person starts it, and requests to it."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

HOSTILE = "</script><img src=x onerror=alert(1)>"
MANIFEST = f"""\
# Edited by hand, and by the page.
release: {{artist: Halden Ferry Singers, title: Songs for Slack Water, catalogue_number: TWE-018}}
level: {{match: track, target: -16, ceiling: -1}}   # as agreed
download:
  formats: [flac-24]
tracks:
  - title: "Low Lantern"   # the opener
    audio: 1.wav
    start: 1.5

  # these two belong together
  - {{title: Tide Table, audio: 2.wav, gap: 0}}
  - title: '{HOSTILE}'
    audio: 3.wav
    gap: 2.5
    fade_out: 1
credits:
  - {{name: Ines Falk, roles: [voice], tracks: [1, 3]}}
"""


def write_desk(folder: Path) -> Path:
    """Write three recordings and their manifest; return the manifest."""
    random = np.random.default_rng(18)
    for number in range(1, 4):
        swell = np.interp(np.arange(14 * 44100), [0, 3e5, 6.1e5], [0.03, 0.35, 0.06])
        noise = random.normal(0, 0.3, (14 * 44100, 2)) * swell[:, None]
        soundfile.write(folder / f"{number}.wav", noise, 44100, subtype="PCM_24")
    path = folder / "songs.yaml"
    path.write_text(MANIFEST, encoding="utf-8")
    return path


@dataclass
class Served:
    """A running server."""

    url: str
    manifest: Path
    process: subprocess.Popen[str]

    def get(self, path: str, **headers: str) -> tuple[int, bytes, dict[str, str]]:
        """Return status, content and headers of an answer."""
        return self.ask(urllib.request.Request(self.url + path, headers=headers))

    def post(self, path: str, body: object, **headers: str) -> tuple[int, Any]:
        """Send JSON; return status and JSON."""
        request = urllib.request.Request(
            self.url + path,
            json.dumps(body).encode(),
            {"content-type": "application/json", **headers},
        )
        status, content, _ = self.ask(request)
        return status, json.loads(content)

    @staticmethod
    def ask(request: urllib.request.Request) -> tuple[int, bytes, dict[str, str]]:
        try:
            with urllib.request.urlopen(request) as answer:
                return answer.status, answer.read(), dict(answer.headers)
        except urllib.error.HTTPError as error:
            return error.code, error.read(), dict(error.headers)

    def release(self) -> dict[str, Any]:
        """Return the page's data."""
        return json.loads(self.get("release.json")[1])

    def settled(self) -> dict[str, Any]:
        """Return the page's data once every track is finished."""
        while True:
            found = self.release()
            if all(t["settled"] and t["join_settled"] for t in found["tracks"]):
                return found
            assert self.process.poll() is None
            assert found["ok"], found["findings"]
            time.sleep(0.1)

    def edit(self, **values: object) -> tuple[int, Any]:
        """Edit the current revision; `tracks__0__gap` stands for `tracks[0].gap`."""
        places = {_place(name): value for name, value in values.items()}
        return self.post("edits", {"revision": self.release()["revision"], "set": places})

    def sound(self, path: str) -> tuple[np.ndarray, int, str]:
        """Return what is played: samples in 32 bits, rate, and whether it is finished."""
        status, content, headers = self.get(path)
        assert status == 200, content
        samples, rate_hz = soundfile.read(io.BytesIO(content), dtype="int32")
        return samples, rate_hz, headers["x-sound"]


def _place(name: str) -> str:
    text = ""
    for part in name.split("__"):
        text += f"[{part}]" if part.isdigit() else f".{part}" if text else part
    return text


@contextmanager
def serving(manifest: Path, *, program: Sequence[str] = ("-m", "assembler")) -> Iterator[Served]:
    """Start `assembler listen`, and end it with Ctrl-C."""
    command = [sys.executable, *program, "listen", str(manifest), "--json"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout
            yield Served(json.loads(process.stdout.readline())["url"], manifest, process)
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGINT)
    assert process.returncode in (0, -signal.SIGKILL)
