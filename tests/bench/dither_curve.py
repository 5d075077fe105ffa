"""Noise of each kind of word length at 16 bits: python tests/bench/dither_curve.py [--plot FILE]

Not a test: prints a table of measured noise at 44.1 kHz on faint music-like noise, and, for what
rounding alone does, on a low tone. A-weighting is IEC 61672-1's formula. 0 dBFS is the mean square
of a full-scale sine (AES17); densities are those of noise that fills the band evenly at that level.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.signal import welch

from assembler.dsp.dither import Dither, Quantizer

RATE_HZ = 44_100
LSB = 2.0**-15
KINDS: tuple[Dither, ...] = ("tpdf", "shaped", "none")
PLACES_HZ = (1_000, 3_000, 5_000, 10_000, 15_000, 20_000)
Curve = NDArray[np.float64]


def a_weight(hz: Curve) -> Curve:
    """Power gain of A-weighting (IEC 61672-1:2013, annex E; 1 at 1 kHz)."""

    def response(f: Curve) -> Curve:
        square = f**2
        low = np.sqrt((square + 107.65265**2) * (square + 737.86223**2))
        gain = 12194.217**2 * square**2
        return gain / ((square + 20.598997**2) * low * (square + 12194.217**2))

    return (response(hz) / response(np.array([1000.0]))) ** 2


def sound(*, tone: bool) -> NDArray[np.float32]:
    """Half a minute of stereo: noise at -60 dBFS, or a sine of 997 Hz at -80 dBFS."""
    count = 30 * RATE_HZ
    if tone:
        wave = 1e-4 * np.sin(2 * np.pi * 997 / RATE_HZ * np.arange(count))
        return np.stack([wave, wave], 1).astype(np.float32)
    return np.random.default_rng(1).normal(0, 7e-4, (count, 2)).astype(np.float32)


def error_density(kind: Dither, samples: NDArray[np.float32]) -> tuple[Curve, Curve]:
    """Power density of the total error, of which the mean over the band is its power (1 = FS²)."""
    words = Quantizer(16, 1, dither=kind, rate_hz=RATE_HZ).quantize(samples)
    error = words * LSB - samples.astype(np.float64)
    hz, density = welch(error, RATE_HZ, nperseg=4096, axis=0, detrend=False)
    return hz[1:-1], density.mean(axis=1)[1:-1] * RATE_HZ / 2


def dbfs(power: float) -> float:
    """Level against a full-scale sine."""
    return 10 * float(np.log10(2 * power))


def row(kind: Dither, samples: NDArray[np.float32]) -> list[float]:
    """Total, A-weighted total, and density around each place."""
    hz, density = error_density(kind, samples)
    near = [density[np.abs(hz - place) < 200].mean() for place in PLACES_HZ]
    powers = (density.mean(), (density * a_weight(hz)).mean(), *near)
    return [dbfs(float(power)) for power in powers]


def plot(file: Path) -> None:
    """Draw the noise of each kind, and the error of a low tone."""
    try:
        import matplotlib
    except ImportError:
        print("no plot: matplotlib is not installed")
        return
    matplotlib.use("Agg")
    from matplotlib import pyplot

    figure, parts = pyplot.subplots(2, 1, figsize=(10, 11), dpi=90)
    titles = ("Error on faint noise", "Error on 997 Hz at -80 dBFS")
    for part, title, tone in zip(parts, titles, (False, True), strict=True):
        for kind in reversed(KINDS):
            hz, density = error_density(kind, sound(tone=tone))
            part.plot(hz / 1000, 10 * np.log10(2 * density), label=kind, lw=0.9)
        part.set(title=f"{title}, 16 bits, 44.1 kHz", xlabel="kHz", ylabel="dBFS, band full")
        part.legend()
        part.grid(alpha=0.3)
    figure.tight_layout()
    figure.savefig(file)


def main() -> None:
    """Measure, print the table, and draw."""
    arguments = argparse.ArgumentParser(description=__doc__)
    arguments.add_argument("--plot", type=Path, metavar="FILE")
    wanted = arguments.parse_args()
    names = ["total", "A-weighted", *(f"{place // 1000} kHz" for place in PLACES_HZ)]
    for title, tone in (("faint noise", False), ("997 Hz at -80 dBFS", True)):
        print(f"\nError in dBFS on {title}\n{'':8s}" + "".join(f"{name:>12s}" for name in names))
        for kind in KINDS:
            figures = row(kind, sound(tone=tone))
            print(f"{kind:8s}" + "".join(f"{figure:12.1f}" for figure in figures))
    if wanted.plot:
        plot(wanted.plot)


if __name__ == "__main__":
    main()
