"""What is seen of a track's level: source against finished in third octaves, and gain reduction."""

from __future__ import annotations

from typing import Any

from assembler.dsp.loudness import EnergyMeter
from assembler.dsp.third_octaves import NOMINAL_HZ, third_octaves
from assembler.listen.sound import Sound
from assembler.listen.stretch import Stretch
from assembler.mastering.gain_reduction import COURSE_STEPS_PER_SECOND


def level_picture(sound: Sound, index: int, start_s: float, end_s: float | None) -> dict[str, Any]:
    """Return the spectra and the gain reduction of a stretch of a track as plain data.

    Parameters
    ----------
    sound
        What is played.
    index, start_s, end_s
        The stretch, as for `Sound.track`.

    Returns
    -------
    dict
        Levels in dBFS by third octave, the source's raised by ``matched_db`` to the loudness of the
        finished stretch; gain reduction per 0.1 s in dB.

    Raises
    ------
    NoSoundError
        There is no such track.
    """
    finished = sound.track(index, start_s, end_s)
    source = sound.source(index, start_s, end_s)
    reductions = sound.reductions(index, start_s, end_s)
    before, after = (_loudness_lufs(one) for one in (source, finished))
    matched_db = after - before if before is not None and after is not None else 0.0
    spectra = [third_octaves(one.samples(), one.rate_hz) for one in (source, finished)]
    return {
        "hz": NOMINAL_HZ,
        "source_db": _rounded(spectra[0] + matched_db),
        "finished_db": _rounded(spectra[1]),
        "matched_db": round(matched_db, 2),
        "limiter_db": reductions.limiter,
        "compressor_db": reductions.compressor,
        "bands_db": list(reductions.bands.items()),
        "step_s": 1 / COURSE_STEPS_PER_SECOND,
    }


def _loudness_lufs(stretch: Stretch) -> float | None:
    meter = EnergyMeter(stretch.rate_hz, stretch.pcm.shape[1])
    meter.feed(stretch.samples())
    return meter.loudness().integrated_lufs


def _rounded(levels: Any) -> list[float]:
    return [round(float(level), 1) for level in levels]
