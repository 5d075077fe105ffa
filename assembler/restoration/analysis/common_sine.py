"""Fit a sine to what all partials of a stream do in common, section by section.

Each partial has a mean frequency of its own. The normal equations of a sine at a rate are summed
over all partials of a section, each weighted by how exactly its frequency is known; outliers count
little.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from assembler.dsp.compiled import compiled
from assembler.restoration.analysis.partials import FEWEST_MOMENTS, Partials

Curve = NDArray[np.float64]
SECTION_S = 10.0
_LEAST_SPREAD = 3e-4
"""Added to the uncertainty of a partial's frequency, so that none of them has all the weight."""
_OUTLIER = 3.0
"""Deviations so many times the usual one have half the weight."""
_PRIOR = 1e4
"""Inverse of the square of 1 %: how strong wow is likely to be before anything is heard."""
_SMOOTHING = np.array([1.0, 2.0, 3.0, 2.0, 1.0])


@dataclass(frozen=True, eq=False)
class Section:
    """The partials of a section: their rows in order of partial, then time."""

    times_s: Curve
    """Of each moment of the section."""
    starts: NDArray[np.int64]
    """First row of each partial, and the end of the last."""
    moments: NDArray[np.int64]
    """From the first of the section."""
    logs: Curve
    """Of the frequency."""
    certainties: Curve

    def deviations(self, speed: Curve | None = None) -> tuple[Curve, Curve]:
        """Return the deviation of each row from its partial's mean, and its weight.

        speed: at each moment, which is subtracted before outliers are looked for.
        """
        weights, lengths = self.certainties, np.diff(self.starts)
        known = np.zeros(len(self.logs)) if speed is None else speed[self.moments]
        for _ in range(3):
            rest = self.logs - known
            rest = rest - np.repeat(self._means(rest, weights), lengths)
            usual = max(_weighted_median(np.abs(rest), self.certainties), _LEAST_SPREAD)
            weights = self.certainties / (1 + (rest / (_OUTLIER * usual)) ** 2)
        return self.logs - np.repeat(self._means(self.logs, weights), lengths), weights

    def _means(self, values: Curve, weights: Curve) -> Curve:
        sums = np.add.reduceat(weights * values, self.starts[:-1])
        means: Curve = sums / np.add.reduceat(weights, self.starts[:-1])
        return means

    def equations(self, rates_hz: Curve, speed: Curve | None = None) -> tuple[Curve, float]:
        """Return each partial's normal equations, shape (partials, 5, rates), and the power."""
        deviations, weights = self.deviations(speed)
        turns = 2 * np.pi * self.times_s[:, None] * rates_hz
        waves = np.stack((np.cos(turns), np.sin(turns)), axis=1)
        sums = np.zeros((len(self.starts) - 1, 5, len(rates_hz)))
        _sums(waves, self.moments, deviations, weights, self.starts, sums)
        return sums, float(weights @ deviations**2)


def sections_of(partials: Partials) -> Iterator[Section]:
    count = round(SECTION_S / partials.step_s)
    moments = int(partials.moments[-1]) + 1 if len(partials.moments) else 0
    for first in range(0, moments, count):
        begin, end = np.searchsorted(partials.moments, (first, first + count))
        tracks = partials.tracks[begin:end]
        order = np.argsort(tracks, kind="stable")
        lengths = np.unique(tracks, return_counts=True)[1]
        is_long = lengths >= FEWEST_MOMENTS
        rows = begin + order[np.repeat(is_long, lengths)]
        yield Section(
            partials.window_s / 2 + partials.step_s * np.arange(first, first + count, dtype=float),
            np.concatenate(([0], np.cumsum(lengths[is_long]))),
            partials.moments[rows].astype(np.int64) - first,
            np.log(partials.hz[rows].astype(np.float64)),
            1 / (partials.spreads[rows].astype(np.float64) ** 2 + _LEAST_SPREAD**2),
        )


def _weighted_median(values: Curve, weights: Curve) -> float:
    order = np.argsort(values)
    sums = np.cumsum(weights[order])
    return float(values[order][np.searchsorted(sums, sums[-1] / 2)]) if len(sums) else 0.0


@compiled
def _sums(
    waves: NDArray[Any],
    moments: NDArray[Any],
    deviations: NDArray[Any],
    weights: NDArray[Any],
    starts: NDArray[Any],
    sums: NDArray[Any],
) -> None:
    """Fill the normal equations of each partial, sums of shape (partials, 5, rates).

    waves: cosine and sine of each rate at each moment, shape (moments, 2, rates). The five are the
    deviation with cosine and sine, then cosine with itself, sine with itself, and both.
    """
    rates = waves.shape[2]
    means = np.zeros((2, rates))
    for track in range(len(starts) - 1):
        own = sums[track]
        own[:] = 0.0
        means[:] = 0.0
        total = 0.0
        for row in range(starts[track], starts[track + 1]):
            weight, deviation = weights[row], deviations[row]
            cosines, sines = waves[moments[row], 0], waves[moments[row], 1]
            total += weight
            for r in range(rates):
                cosine, sine = weight * cosines[r], weight * sines[r]
                own[0, r] += cosine * deviation
                own[1, r] += sine * deviation
                own[2, r] += cosine * cosines[r]
                own[3, r] += sine * sines[r]
                own[4, r] += cosine * sines[r]
                means[0, r] += cosine
                means[1, r] += sine
        for r in range(rates):
            own[2, r] -= means[0, r] * means[0, r] / total
            own[3, r] -= means[1, r] * means[1, r] / total
            own[4, r] -= means[0, r] * means[1, r] / total


def _fitted(equations: Curve) -> tuple[NDArray[np.complex128], Curve]:
    """Return cosine − j·sine of the sine that fits, and the power that it explains, by rate."""
    of_cosine, of_sine, cosines, sines, both = equations
    cosines, sines = cosines + _PRIOR, sines + _PRIOR
    determinant = cosines * sines - both**2
    cosine = (sines * of_cosine - both * of_sine) / determinant
    sine = (cosines * of_sine - both * of_cosine) / determinant
    return cosine - 1j * sine, cosine * of_cosine + sine * of_sine


@dataclass(frozen=True, eq=False)
class CommonSine:
    """One rate, fitted to each section."""

    hz: float
    phasors: NDArray[np.complex128]
    """Cosine − j·sine of each section."""
    weights: Curve
    """How much each section shows."""
    share: float
    """Share of the power of all deviations that the sines explain."""
    agreement: float

    @property
    def smooth(self) -> NDArray[np.complex128]:
        """The phasors, each a mean of those around it."""
        reach = min(2, (len(self.phasors) - 1) // 2)
        kernel = _SMOOTHING[2 - reach : 3 + reach]
        weighted: NDArray[np.complex128] = np.convolve(
            self.phasors * self.weights, kernel.astype(np.complex128), "same"
        )
        smooth: NDArray[np.complex128] = weighted / np.convolve(self.weights, kernel, "same")
        return smooth

    @property
    def steadiness(self) -> float:
        """Share of the sine's power that goes on from section to section."""
        whole = self.weights @ np.abs(self.phasors) ** 2
        return float(self.weights @ np.abs(self.smooth) ** 2 / whole) if whole else 0.0

    @property
    def steadier_hz(self) -> float:
        """The rate at which the phase stays the same from section to section."""
        least = np.minimum(self.weights[1:], self.weights[:-1])
        turn = np.angle((least * self.phasors[1:] * self.phasors[:-1].conj()).sum())
        return self.hz + float(turn) / (2 * np.pi * SECTION_S)


def _fit(sections: list[Section], hz: float, before: CommonSine | None = None) -> CommonSine:
    """Fit a rate; `before`: an earlier fit, which is no outlier."""
    phasors, weights, agreeing, showing = [], [], 0.0, 0.0
    explained = power = 0.0
    for number, section in enumerate(sections):
        speed = None
        if before:
            turn = np.exp(2j * np.pi * before.hz * section.times_s)
            speed = (before.smooth[number] * turn).real
        each, own_power = section.equations(np.array([hz]), speed)
        whole = each.sum(axis=0)
        phasor, own_explained = _fitted(whole)
        phasors.append(phasor[0])
        weights.append((whole[2, 0] + whole[3, 0]) / 2 + 1e-9)
        explained, power = explained + own_explained[0], power + own_power
        cosine, sine = phasor[0].real, -phasor[0].imag
        shown = (
            cosine**2 * each[:, 2, 0] + sine**2 * each[:, 3, 0] + 2 * cosine * sine * each[:, 4, 0]
        )
        own = cosine * each[:, 0, 0] + sine * each[:, 1, 0]
        agreeing += float(shown[(own > 0.5 * shown) & (own < 1.5 * shown)].sum())
        showing += float(shown.sum())
    return CommonSine(
        hz,
        np.array(phasors),
        np.array(weights),
        explained / power if power else 0.0,
        agreeing / showing if showing else 0.0,
    )


def best_common_sine(sections: list[Section], rates_hz: Curve) -> CommonSine:
    """Fit the rate that explains most, then exactly, with its own motion as no outlier."""
    explained = np.zeros(len(rates_hz))
    for section in sections:
        explained += _fitted(section.equations(rates_hz)[0].sum(axis=0))[1]
    fit = _fit(sections, float(rates_hz[explained.argmax()]))
    for _ in range(2):
        fit = _fit(sections, fit.steadier_hz, fit)
    return fit
