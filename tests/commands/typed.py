"""Commands run as they are typed: each in a process of its own, bytes in and bytes out."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

Arguments = tuple[str | bytes | Path, ...]


def typed(
    *arguments: str | bytes | Path, folder: Path | None = None, **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """Run a command and wait for its end."""
    command = [sys.executable, "-m", "assembler", *arguments]
    return subprocess.run(
        command, cwd=folder, env={**os.environ, **environment}, capture_output=True, check=False
    )


def in_shell(
    line: str, *arguments: str | bytes | Path, folder: Path, **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """Run a shell's line, in which ``"$@"`` stands for the command; its streams are the line's."""
    command = [sys.executable, "-m", "assembler", *arguments]
    return subprocess.run(
        ["bash", "-c", line, "bash", *command],
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        check=False,
    )
