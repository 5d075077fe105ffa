"""EQ and dynamics: what a manifest can ask of a track's sound before its level."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, model_validator

from assembler.manifest.section import Section
from assembler.manifest.values import InRange, refusal, whole_if_digits

Shape = Literal["high_pass", "low_pass", "low_shelf", "high_shelf", "bell", "notch"]
Decibels = Annotated[float, InRange(-60, 60, "dB")]
Hertz = Annotated[float, InRange(1, 96000, "Hz")]
Quality = Annotated[float, InRange(0.05, 100, "(q)")]
Slope = Annotated[Literal[12, 24], BeforeValidator(whole_if_digits)]
MonoHertz = Annotated[float, InRange(20, 500, "Hz")]
ClipDepth = Annotated[float, InRange(0.1, 2, "dB")]


class Dynamic(Section):
    """What makes a band's gain follow the level inside the band, as in de-essing."""

    threshold: Annotated[float, InRange(-80, 0, "dBFS")]
    """Level inside the band above which it is lowered, dBFS."""
    ratio: Annotated[float, InRange(1, 20, "(ratio)")] = 3.0
    """dB of input for each dB of output above the threshold."""
    attack: Annotated[float, InRange(0.1, 500, "ms")] = 5.0
    """As of the compressor, ms."""
    release: Annotated[float, InRange(1, 2000, "ms")] = 100.0
    """As of the compressor, ms; not shorter than `attack`."""
    knee: Annotated[float, InRange(0, 24, "dB")] = 6.0
    """Width of the knee, dB."""

    @model_validator(mode="after")
    def _release_after_attack(self) -> Dynamic:
        if self.release < self.attack:
            raise refusal("bad-band", "`release` is shorter than `attack`: lengthen it")
        return self


class Band(Section):
    """One equaliser band."""

    shape: Shape
    """Kind of filter."""
    hz: Hertz
    """Corner or centre frequency, Hz."""
    db: Decibels | None = None
    """Gain of a bell or a shelf, dB."""
    q: Quality | None = None
    """Q of the band: the higher, the narrower."""
    slope: Slope | None = None
    """dB per octave of a high_pass or low_pass."""
    on: Literal["stereo", "mid", "side"] | None = None
    """What the band filters: both channels, their sum (mid) or their difference (side)."""

    dynamic: Dynamic | None = None
    """Lowers the band only where it is loud, by at most `db`."""

    @model_validator(mode="after")
    def _fitting_dynamic(self) -> Band:
        if self.dynamic is None:
            return self
        if self.shape not in ("bell", "low_shelf", "high_shelf"):
            raise refusal("bad-band", f"a {self.shape} can't be dynamic: use a bell or a shelf")
        if (self.db or 0.0) >= 0:
            message = "a dynamic band needs a `db` below 0, its maximum gain reduction: set it"
            raise refusal("bad-band", message)
        if self.q is not None and self.shape != "bell":
            raise refusal("bad-band", f"a dynamic {self.shape} has no `q`: remove it")
        return self

    @model_validator(mode="after")
    def _fitting_keys(self) -> Band:
        passes = self.shape in ("high_pass", "low_pass")
        if self.shape in ("bell", "low_shelf", "high_shelf") and self.db is None:
            raise refusal("bad-band", f"a {self.shape} needs `db`")
        if (passes or self.shape == "notch") and self.db is not None:
            raise refusal("bad-band", f"a {self.shape} has no `db`: remove it")
        if self.slope is not None and not passes:
            raise refusal("bad-band", f"a {self.shape} has no `slope`: remove it")
        return self


class Compress(Section):
    """A compressor with linked channels, after the EQ."""

    threshold: Annotated[float, InRange(-60, 0, "dBFS")]
    """Level above which it compresses, in the source after EQ, dBFS."""
    ratio: Annotated[float, InRange(1, 20, "(ratio)")]
    """dB of input for each dB of output above the threshold."""
    attack: Annotated[float, InRange(0.1, 500, "ms")] = 30.0
    """Time to 63 % of the gain reduction, ms."""
    release: Annotated[float, InRange(1, 2000, "ms")] = 200.0
    """Time in which 63 % of the gain reduction is released, ms; not shorter than `attack`."""
    knee: Annotated[float, InRange(0, 24, "dB")] = 6.0
    """Width of the knee, dB."""
    mix: Annotated[float, InRange(0, 100, "%")] = 100.0
    """Share of the compressed sound, percent; below 100 it is parallel compression."""
    sidechain_high_pass: Annotated[float, InRange(20, 500, "Hz")] | None = None
    """Corner of a 12 dB/octave high-pass on what it reacts to, Hz."""

    @model_validator(mode="after")
    def _release_after_attack(self) -> Compress:
        if self.release < self.attack:
            raise refusal("bad-compress", "`release` is shorter than `attack`: lengthen it")
        return self
