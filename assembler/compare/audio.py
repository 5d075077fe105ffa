"""Compare the audio of two releases: a null test of lossless files, the samples of lossy ones."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from itertools import zip_longest

import numpy as np

from assembler.compare.both import Both, Pair
from assembler.compare.difference import Difference, from_to
from assembler.download.formats import facts_of
from assembler.download.lossy import decoded
from assembler.dsp.blocks import Samples
from assembler.finished.finished import FinishedRelease, reading
from assembler.finished.null_test import SoundDifference, sound_difference, sound_text
from assembler.finished.pcm import Stretch, first_sample, in_format, on_image, region_of_image
from assembler.manifest.sets import DISC, set_of

IMAGE = "disc"


@dataclass(frozen=True)
class AudioTest:
    """A track's audio in one deliverable, compared; without a pair, the audio before track 1."""

    pair: Pair | None
    deliverable: str
    lossy: bool
    same: bool
    text: str
    samples: int = 0


def audio_tests(both: Both) -> Iterator[Callable[[], AudioTest]]:
    """Return the tests of every track of both, in every deliverable of both, as functions."""
    if both.a.has("disc") and both.b.has("disc"):
        before = _before_track_1(both.a), _before_track_1(both.b)
        if any(one.length for one in before):
            yield partial(_null_test, both, None, IMAGE, *before)
        discs, pairs = both.on(DISC)
        for pair, own in pairs.items():
            images = on_image(discs.a, own.a), on_image(discs.b, own.b)
            yield partial(_of_pair, pair, partial(_null_test, discs, own, IMAGE, *images))
    for name in both.formats:
        test = _lossy_test if facts_of(name).lossy else _lossless_test
        of_set, pairs = both.on(set_of(name))
        for pair, own in pairs.items():
            yield partial(_of_pair, pair, partial(test, of_set, own, name))


def _of_pair(pair: Pair, test: Callable[[], AudioTest]) -> AudioTest:
    """Run a test of one edition, and return it with the pair in the whole releases."""
    return replace(test(), pair=pair)


def _before_track_1(release: FinishedRelease) -> Stretch:
    return region_of_image(release, 1, 0, release.report.discs[0].hidden_frames)


def _lossless_test(both: Both, pair: Pair, name: str) -> AudioTest:
    files = in_format(both.a, name, pair.a), in_format(both.b, name, pair.b)
    return _null_test(both, pair, name, *files)


def _null_test(both: Both, pair: Pair | None, name: str, a: Stretch, b: Stretch) -> AudioTest:
    if (a.rate_hz, a.bits) != (b.rate_hz, b.bits):
        text = f"{from_to(f'{a.rate_hz} Hz', f'{b.rate_hz} Hz')}, no null test"
        return AudioTest(pair, name, lossy=False, same=False, text=text)
    shift = _shift(both, pair, b.rate_hz) if pair else 0
    same = both.same_file(a.name, b.name) and (a.start, a.end, shift) == (b.start, b.end, 0)
    found = SoundDifference(a.length) if same else sound_difference(a, b, shift)
    return AudioTest(pair, name, False, found.identical, sound_text(found), found.samples)


def _shift(both: Both, pair: Pair, rate_hz: int) -> int:
    """Return the sample of a file in `a` at the start of that in `b`; 0 if their sources differ."""
    old, new = both.a.tracks[pair.a], both.b.tracks[pair.b]
    if (old.source.sha256, old.done.mended) != (new.source.sha256, new.done.mended):
        return 0
    return first_sample(new, rate_hz) - first_sample(old, rate_hz)


def _lossy_test(both: Both, pair: Pair, name: str) -> AudioTest:
    old, new = both.files(name, pair)
    same = both.same_file(old, new)
    if not same:
        blocks = zip_longest(_decoded(both.a, old, name), _decoded(both.b, new, name))
        same = all(a is not None and b is not None and np.array_equal(a, b) for a, b in blocks)
    return AudioTest(pair, name, lossy=True, same=same, text="re-encoded")


def _decoded(release: FinishedRelease, file: str, name: str) -> Iterator[Samples]:
    with reading(file):
        yield from decoded(release.folder / file, facts_of(name).container)


def audio_differences(both: Both, tests: Sequence[AudioTest]) -> Iterator[Difference]:
    """List the audio that differs; in one line if all lossless deliverables agree.

    Lossy files differ with them, and are listed only where the lossless audio is the same.
    """
    for pair in dict.fromkeys(test.pair for test in tests):
        label = both.label(pair) if pair else ()
        lossless = [test for test in tests if test.pair == pair and not test.lossy]
        lossy = [test for test in tests if test.pair == pair and test.lossy]
        changed = [test for test in lossless if not test.same]
        if pair and len(changed) == len(lossless) and len({test.text for test in changed}) == 1:
            yield Difference("sound", "audio", changed[0].text, label)
            continue
        for test in changed or lossy:
            if not test.same:
                subject = test.deliverable if pair else "audio before track 1"
                yield Difference("lossy" if test.lossy else "sound", subject, test.text, label)
