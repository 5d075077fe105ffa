"""Spectra of windows: the same however the stream is cut into blocks, and the same as numpy's."""

import numpy as np
import pytest

from assembler.restoration.analysis.spectra import Spectra, hann


@pytest.mark.parametrize("is_shaped", (True, False))
def test_spectra_are_those_of_the_windows_whatever_the_blocks(is_shaped: bool) -> None:
    random = np.random.default_rng(4)
    sound = random.standard_normal((5000, 2)).astype(np.float32)
    size, step = 256, 100
    shape = hann(size) if is_shaped else None
    spectra, found = Spectra(size, step, shape), []
    for block in np.split(sound, (3, 3, 700, 701, 2900)):
        found += [batch.copy() for batch in spectra.feed(block)]
    found += [batch.copy() for batch in spectra.rest()]
    assert not list(spectra.rest())
    starts = np.arange(0, len(sound) - size + 1, step)
    windows = np.stack([sound[start : start + size] for start in starts])
    both = (windows[:, :, 0] + 1j * windows[:, :, 1]) * (hann(size) if is_shaped else 1.0)
    expected = np.fft.fft(both)
    measured = np.concatenate(found)
    assert measured.shape == expected.shape
    assert np.abs(measured - expected).max() < 1e-5 * np.abs(expected).max()
