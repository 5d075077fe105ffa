"""Measure wow and flutter on a recorded reference tone, weighted and unweighted, as in IEC 60386.

The weighting's points, the band of 0.2 to 200 Hz and the peak, which is not exceeded in 95 % of the
time, are from memory (IEC 60386, AES6-2008). The phase is read from the tone's band alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Curve = NDArray[np.float64]
LOWEST_HZ, HIGHEST_HZ = 0.2, 200.0
WOW_BELOW_HZ = 10.0
SHORTEST_S = 5.0
"""One period of the lowest rate."""
_WEIGHTING_HZ = (
    *(0.1, 0.2, 0.315, 0.4, 0.63, 0.8, 1.0, 1.6, 2.0, 4.0, 6.3),
    *(10.0, 20.0, 40.0, 63.0, 100.0, 200.0),
)
_WEIGHTING_DB = (
    *(-48.0, -30.6, -19.7, -15.0, -8.4, -6.0, -4.2, -1.8, -0.9, 0.0, -0.9),
    *(-2.1, -5.9, -10.4, -14.2, -17.3, -23.0),
)
_PEAK_SHARE = 0.95
_EDGE_S = 0.25
"""Left out at both ends of the tone, where filters settle."""


@dataclass(frozen=True)
class FlutterReading:
    """Wow and flutter of a tone, each a peak in percent of the speed."""

    weighted_percent: float
    unweighted_percent: float
    wow_percent: float
    """Unweighted, up to `WOW_BELOW_HZ`."""
    highest_hz: float
    """The highest rate that the tone supports: `HIGHEST_HZ`, or less for a low tone."""


def weighting(hz: Curve) -> Curve:
    """Return the gain of the weighting at some rates of modulation, 1 at 4 Hz."""
    db = np.interp(np.log(np.maximum(hz, 1e-3)), np.log(_WEIGHTING_HZ), _WEIGHTING_DB)
    gains: Curve = 10 ** (db / 20)
    return gains


def tone_flutter(mono: NDArray[np.float32], rate_hz: int, tone_hz: float) -> FlutterReading | None:
    """Measure wow and flutter on a tone.

    Parameters
    ----------
    mono
        The tone alone.
    rate_hz
        Its sample rate.
    tone_hz
        Its mean frequency.

    Returns
    -------
    FlutterReading or None
        None if the tone is shorter than `SHORTEST_S`.
    """
    if len(mono) < SHORTEST_S * rate_hz:
        return None
    reach_hz = min(2 * HIGHEST_HZ, 0.8 * tone_hz)
    curve, low_hz = _deviation(mono, rate_hz, tone_hz, reach_hz)
    highest_hz = min(HIGHEST_HZ, reach_hz / 2)
    hz: Curve = np.fft.rfftfreq(len(curve), 1 / low_hz).astype(np.float64)
    spectrum = np.fft.rfft(curve) / np.sinc(hz / low_hz)  # each value is the mean of a step
    spectrum[(hz < LOWEST_HZ) | (hz > highest_hz)] = 0

    def peak(gains: Curve) -> float:
        filtered = np.fft.irfft(spectrum * gains, len(curve))
        return 100 * float(np.quantile(np.abs(filtered), _PEAK_SHARE))

    is_wow = (hz < WOW_BELOW_HZ).astype(float)
    return FlutterReading(peak(weighting(hz)), peak(np.ones(len(hz))), peak(is_wow), highest_hz)


def _deviation(
    mono: NDArray[np.float32], rate_hz: int, tone_hz: float, reach_hz: float
) -> tuple[Curve, float]:
    """Return the deviation of the speed as a share, and its sample rate: twice the reach."""
    import scipy.fft

    spectrum = scipy.fft.rfft(mono)
    bin_hz = rate_hz / len(mono)
    middle, half = round(tone_hz / bin_hz), int(reach_hz / bin_hz)
    band = np.zeros(2 * half, np.complex128)
    first = max(0, middle - half)
    band[first - middle + half :] = spectrum[first : middle + half]
    shape = 0.5 - 0.5 * np.cos(np.pi * np.arange(2 * half) / half)
    flat = np.minimum(1, 2 * shape)
    low = scipy.fft.ifft(np.fft.ifftshift(band * flat))
    low_hz = 2 * half * bin_hz
    turns = np.angle(low[1:] * low[:-1].conj()) / (2 * np.pi)
    edge = round(_EDGE_S * low_hz)
    own = turns[edge:-edge] * low_hz / tone_hz
    return own - own.mean(), low_hz
