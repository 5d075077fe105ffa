"""Streams in blocks, held against slices of the whole array."""

from __future__ import annotations

import itertools

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from assembler.dsp.blocks import Neighbours, Windows, cut, skip

lengths = st.lists(st.integers(0, 30), max_size=12)


def stream(block_lengths: list[int]) -> tuple[np.ndarray, list[np.ndarray]]:
    """A stream of different numbers, whole and in blocks."""
    total = sum(block_lengths)
    whole = np.arange(1, 2 * total + 1, dtype=np.float32).reshape(total, 2)
    return whole, np.split(whole, np.cumsum(block_lengths)[:-1]) if block_lengths else []


@settings(max_examples=200)
@given(lengths, st.integers(0, 20), st.integers(0, 20))
def test_neighbours(block_lengths: list[int], before: int, after: int) -> None:
    whole, blocks = stream(block_lengths)
    padded = np.pad(whole, ((before, after), (0, 0)))
    neighbours = Neighbours(before, after, 2)
    fed = ready = 0
    for block in [*blocks, None]:
        given_ = neighbours.finish() if block is None else neighbours.feed(block)
        count = len(given_) - before - after
        assert count >= 0
        assert given_.shape[1] == 2
        if count:
            assert np.array_equal(given_, padded[ready : ready + count + before + after])
        ready += count
        fed += 0 if block is None else len(block)
        assert ready == (fed if block is None else max(0, fed - after))


@settings(max_examples=300)
@given(lengths, st.integers(1, 25), st.lists(st.integers(1, 60), min_size=1))
def test_windows(block_lengths: list[int], size: int, steps: list[int]) -> None:
    whole, blocks = stream(block_lengths)
    windows, at, fed = Windows(size, steps[0]), 0, 0
    turns = itertools.cycle([*steps[1:], steps[0]])
    for block in blocks:
        fed += len(block)
        for window in windows.feed(block):
            assert windows.start == at
            assert np.array_equal(window, whole[at : at + size])
            windows.step = next(turns)
            at += windows.step
        assert at + size > fed
        assert np.array_equal(windows.rest, whole[:fed][at:])


@settings(max_examples=200)
@given(lengths, st.lists(st.integers(0, 200), max_size=8, unique=True).map(sorted))
def test_cut(block_lengths: list[int], cuts: list[int]) -> None:
    whole, blocks = stream(block_lengths)
    parts: dict[int, list[np.ndarray]] = {}
    order = []
    for part, samples in cut(blocks, cuts):
        assert len(samples)
        parts.setdefault(part, []).append(samples)
        order.append(part)
    assert order == sorted(order)
    edges = [0, *cuts, max(len(whole), 200) + 1]
    for part, (start, end) in enumerate(itertools.pairwise(edges)):
        found = np.concatenate([whole[:0], *parts.pop(part, [])])
        assert np.array_equal(found, whole[start:end])
    assert not parts


@settings(max_examples=200)
@given(lengths, st.integers(0, 150), st.integers(0, 200))
def test_skip(block_lengths: list[int], start: int, length: int) -> None:
    whole, blocks = stream(block_lengths)
    pieces = list(skip(blocks, start, length))
    assert all(len(piece) for piece in pieces)
    found = np.concatenate([whole[:0], *pieces])
    assert np.array_equal(found, whole[start : start + length])
