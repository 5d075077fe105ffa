"""A side restored into a file: what its meters keep is freed meter by meter."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from weakref import WeakSet

import numpy as np
import pytest
import soundfile
from restored_sides import restored_to

from assembler.manifest.transfers import Restoration, Transfer
from assembler.restoration import condition
from assembler.restoration.analysis.dropouts import Dropout, DropoutMeter


def test_each_meter_is_freed_before_the_next_is_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    meters: WeakSet[Any] = WeakSet()
    alive: list[int] = []

    class ReadLast(DropoutMeter):
        def reading(self) -> tuple[Dropout, ...]:
            alive.append(len(meters))
            return super().reading()

    def recorded(make: Any) -> Any:
        def made(rate_hz: int) -> Any:
            meter = make(rate_hz)
            meters.add(meter)
            return meter

        return made

    for name, make in condition._METERS.items():
        make = ReadLast if name == "dropouts" else make
        monkeypatch.setitem(condition._METERS, name, recorded(make))
    sound = 0.1 * np.random.default_rng(5).standard_normal((4 * 44_100, 2))
    soundfile.write(tmp_path / "side.wav", sound, 44_100, "FLOAT")
    steps = Restoration(dropouts="repair", azimuth="follow")
    side = Transfer(file="side.wav", restoration=steps)
    restored_to(tmp_path / "out.wav", tmp_path / "side.wav", side)
    assert alive == [1, 1]  # before restoration, and after it
