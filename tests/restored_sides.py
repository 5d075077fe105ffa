"""Restore a side as a build does: measured, then restored into a file."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from assembler.audio import open_recording
from assembler.manifest.transfers import Transfer
from assembler.restoration.condition import condition_of
from assembler.restoration.side_file import restore_side


def restored_to(file: Path, side: Path, transfer: Transfer) -> dict[str, Any]:
    """Write a restored side to a file, and return its report."""
    recording = open_recording((side,))
    return restore_side(recording, transfer, condition_of(recording, transfer.restoration), file)
