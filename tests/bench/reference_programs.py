"""Sound through ffmpeg's filters, sox and noisereduce, for benches that compare with them."""

from __future__ import annotations

import importlib.util
import shutil
import subprocess
import tempfile
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

Sound = NDArray[np.float32]
RATE_HZ = 48_000
_LEAST_DELAY = 64
"""Samples; less may be the phase of a filter."""


def is_here(name: str) -> bool:
    """Return whether a program or a Python package is installed."""
    return bool(shutil.which(name) or importlib.util.find_spec(name))


def ffmpeg(filters: str, sound: Sound, *, is_fitted: bool = True) -> Sound:
    """Return a sound after filters of ffmpeg; fitted: as long as it, without their delay."""
    raw = ["-f", "f32le", "-ar", str(RATE_HZ), "-ac", "2"]
    command = ["ffmpeg", "-nostdin", "-v", "error", *raw, "-i", "pipe:0", "-af", filters]
    done = _piped([*command, *raw, "pipe:1"], sound)
    return _fitted(done, sound) if is_fitted else done


def sox(effects: str, sound: Sound, *, is_fitted: bool = True) -> Sound:
    """Return a sound after effects of sox; fitted: as long as it, without their delay."""
    raw = ["-t", "f32", "-r", str(RATE_HZ), "-c", "2", "-"]
    done = _piped(["sox", *raw, *raw, *effects.split()], sound)
    return _fitted(done, sound) if is_fitted else done


def _piped(command: list[str], sound: Sound) -> Sound:
    sent = np.ascontiguousarray(sound, "<f4").tobytes()
    done = subprocess.run(command, input=sent, capture_output=True)
    if done.returncode:
        raise RuntimeError(f"{command}: {done.stderr.decode()}")
    return np.frombuffer(done.stdout, "<f4").reshape(-1, 2)


def sox_noise_reduction(sound: Sound, noise: Sound, amount: float) -> Sound:
    """Return a sound after sox's noisered with the profile of a noise."""
    with tempfile.TemporaryDirectory() as folder:
        profile = Path(folder) / "noise.prof"
        sox(f"noiseprof {profile}", noise)
        return sox(f"noisered {profile} {amount:g}", sound)


def noisereduce(sound: Sound, noise: Sound, reduction_db: float) -> Sound:
    """Return a sound after noisereduce's stationary method."""
    import noisereduce as package

    share = 1 - 10 ** (-reduction_db / 20)
    channels = [
        package.reduce_noise(
            y=sound[:, channel],
            sr=RATE_HZ,
            y_noise=noise[:, channel],
            stationary=True,
            prop_decrease=share,
        )
        for channel in (0, 1)
    ]
    return _fitted(np.stack(channels, axis=1).astype(np.float32), sound)


def _fitted(output: Sound, sound: Sound) -> Sound:
    """Return the output without the program's delay, as long as the sound."""
    lag = _delay(output, sound)
    if abs(lag) < _LEAST_DELAY:
        lag = 0
    moved = np.zeros_like(sound)
    first, last = max(0, -lag), min(len(sound), len(output) - lag)
    moved[first:last] = output[first + lag : last + lag]
    return moved


def _delay(output: Sound, sound: Sound) -> int:
    """Return by how many samples an output is late, by the peak of a cross-correlation."""
    size = 1 << (len(sound) + len(output)).bit_length()
    one, other = (np.fft.rfft(part.sum(axis=1), size) for part in (output, sound))
    peak = int(np.abs(np.fft.irfft(one * other.conj(), size)).argmax())
    return peak if peak < size // 2 else peak - size
