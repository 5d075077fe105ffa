"""The picture of a side: same bytes, right places, and no text over another."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from PIL import Image

from assembler.audio import open_recording
from assembler.restoration.analysis.bandwidth import SpectrumCurve
from assembler.restoration.analysis.clicks import Click, ClickReading
from assembler.restoration.analysis.dropouts import Dropout
from assembler.restoration.analysis.resolution import ClippedPlace
from assembler.restoration.survey import side_picture
from assembler.restoration.survey.side_picture import WIDTH, write_side_picture
from assembler.restoration.survey.survey import Survey, survey
from assembler.typeset.picture_text import text_width

RATE_HZ = 24_000
LENGTH_S, BEGINS_S, ENDS_S = 60, 6, 54
ACCENT, SHEET = (143, 42, 23), (253, 250, 242)
Box = tuple[float, float, float, float]


@pytest.fixture(scope="module")
def side(tmp_path_factory: pytest.TempPathFactory) -> Survey:
    """Return the survey of a side with a tone of 1 kHz that swells each second, over noise."""
    draw = np.random.default_rng(1)
    time_s = np.arange(LENGTH_S * RATE_HZ) / RATE_HZ
    on = (time_s > BEGINS_S) & (time_s < ENDS_S)
    tone = 0.3 * np.sin(2 * np.pi * 1000 * time_s) * np.sin(np.pi * time_s) ** 2 * on
    sound = tone[:, None] * (1, 0.5) + 0.002 * draw.normal(size=(len(time_s), 2))
    path = tmp_path_factory.mktemp("side") / "net-loft-a.wav"
    soundfile.write(path, sound, RATE_HZ, "PCM_24")
    return survey(open_recording((path,)), jobs=1)


def with_all_places(side: Survey) -> Survey:
    """Return a survey with places of every kind, close together and apart."""
    dropouts = [Dropout(at_s, 0.05, 12.0, 0) for at_s in (9.0, 9.3, 9.4, 20.0, 59.5)]
    clicks = [Click(0, at_s * RATE_HZ, 3) for at_s in range(7, 53)]
    clipped = tuple(ClippedPlace("left", float(at_s), 9) for at_s in (10, 11, 30))
    pcm = replace(side.pcm, clipped=clipped, clipped_peaks=27, longest_samples=4)
    return replace(
        side,
        dropouts=tuple(dropouts),
        clicks=ClickReading(46.0, tuple(clicks), 46),
        pcm=pcm,
    )


def drawn(path: Path, side: Survey, name: str = "side-a") -> np.ndarray:
    write_side_picture(path, name, side)
    with Image.open(path) as image:
        assert image.info == {}
        return np.array(image)


def test_the_same_survey_gives_the_same_bytes(tmp_path: Path, side: Survey) -> None:
    for name in ("one.png", "two.png"):
        write_side_picture(tmp_path / name, "side-a", with_all_places(side))
    first = (tmp_path / "one.png").read_bytes()
    assert first == (tmp_path / "two.png").read_bytes()
    with Image.open(tmp_path / "one.png") as image:
        assert (image.format, image.width) == ("PNG", WIDTH) == ("PNG", 1600)


def test_level_stands_where_the_sound_is(tmp_path: Path, side: Survey) -> None:
    picture = drawn(tmp_path / "side.png", side)
    panel = picture[side_picture._TOP : side_picture._TOP + side_picture._LEVEL_HIGH]
    filled = (panel != SHEET).any(axis=-1).sum(axis=0)
    left, right = side_picture._LEFT, side_picture._RIGHT
    per_s = (right - left) / LENGTH_S
    inside = filled[left + int((BEGINS_S + 1) * per_s) : left + int((ENDS_S - 1) * per_s)]
    before = filled[left : left + int((BEGINS_S - 0.5) * per_s)]
    assert np.median(inside) > 1.5 * np.median(before) > 0


def test_the_spectrum_is_darkest_at_the_tone(tmp_path: Path, side: Survey) -> None:
    picture = drawn(tmp_path / "side.png", side).astype(int)
    lanes = sum(f.code in side_picture._LANES and bool(f.places) for f in side.findings)
    top = side_picture._TOP + 2 * (side_picture._LEVEL_HIGH + side_picture._GAP)
    top += lanes * side_picture._LANE_HIGH + side_picture._GAP
    middle = (side_picture._LEFT + side_picture._RIGHT) // 2
    panel = picture[top : top + side_picture._SPECTRUM_HIGH, middle - 200 : middle + 200]
    darkest = int(panel.sum(axis=(1, 2)).argmin())
    expected = np.log(1000 / (RATE_HZ / 2)) / np.log(20 / (RATE_HZ / 2))
    assert darkest == pytest.approx(expected * side_picture._SPECTRUM_HIGH, abs=5)


def test_places_are_marked_at_their_times(tmp_path: Path, side: Survey) -> None:
    one = replace(side, dropouts=(Dropout(30.0, 3.0, 20.0, 1),))
    picture = drawn(tmp_path / "side.png", one)
    lanes = [f.code for f in one.findings if f.code in side_picture._LANES and f.places]
    top = side_picture._TOP + 2 * (side_picture._LEVEL_HIGH + side_picture._GAP)
    row = picture[top + lanes.index("dropouts") * side_picture._LANE_HIGH + 10]
    marked = np.flatnonzero((row[side_picture._LEFT : side_picture._RIGHT] == ACCENT).all(axis=-1))
    per_s = (side_picture._RIGHT - side_picture._LEFT) / LENGTH_S
    solid = marked[(marked > 29 * per_s) & (marked < 34 * per_s)]
    assert (solid.min(), solid.max()) == pytest.approx((30 * per_s, 33 * per_s), abs=2)


def boxes_of(path: Path, side: Survey, monkeypatch: pytest.MonkeyPatch) -> list[Box]:
    """Draw a side and return the box of every text."""
    boxes: list[Box] = []
    write = side_picture._Page.text

    def text(
        page: side_picture._Page, x: float, y: float, text: str, *colour: object, **how: object
    ) -> None:
        size, weight = how.get("size", 16), how.get("weight", "regular")
        wide = text_width(text, size, weight)  # type: ignore[arg-type]
        left = x - how.get("align", 0.0) * wide  # type: ignore[operator]
        boxes.append((left, y - 0.75 * size, left + wide, y + 0.2 * size))  # type: ignore[operator]
        write(page, x, y, text, *colour, **how)  # type: ignore[arg-type]

    monkeypatch.setattr(side_picture._Page, "text", text)
    write_side_picture(path, "side-a", side)
    return [box for box in boxes if box[2] > box[0]]


@pytest.mark.parametrize("length_s", [0.5, 3, 60, 46 * 60, 4 * 3600])
def test_no_texts_overlap(
    tmp_path: Path, side: Survey, length_s: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    factor = length_s / LENGTH_S
    full = with_all_places(replace(side, rate_hz=RATE_HZ, frames=round(length_s * RATE_HZ)))
    dropouts = [replace(d, at_s=d.at_s * factor) for d in full.dropouts]
    programme = replace(full.programme, begins_s=6 * factor, ends_s=7 * factor)
    full = replace(full, dropouts=tuple(dropouts), programme=programme)
    boxes = boxes_of(tmp_path / "side.png", full, monkeypatch)
    assert len(boxes) > 40
    for number, (left, top, right, bottom) in enumerate(boxes):
        assert 0 <= left < right <= WIDTH
        for other in boxes[:number]:
            apart = right <= other[0] or other[2] <= left or bottom <= other[1] or other[3] <= top
            assert apart, (boxes[number], other)


def test_a_time_near_the_end_stands_before_its_mark(
    tmp_path: Path, side: Survey, monkeypatch: pytest.MonkeyPatch
) -> None:
    late = replace(side, dropouts=(Dropout(59.8, 0.05, 12.0, 0),))
    lanes = [f.code for f in late.findings if f.code in side_picture._LANES and f.places]
    top = side_picture._TOP + 2 * (side_picture._LEVEL_HIGH + side_picture._GAP)
    top += lanes.index("dropouts") * side_picture._LANE_HIGH
    boxes = boxes_of(tmp_path / "side.png", late, monkeypatch)
    inside = [b for b in boxes if top <= b[1] and b[3] <= top + side_picture._LANE_HIGH]
    name, time = sorted(inside)
    assert name[2] < side_picture._LEFT
    at = side_picture._LEFT + 59.8 / LENGTH_S * (side_picture._RIGHT - side_picture._LEFT)
    assert at - 10 < time[2] < at


def test_a_name_in_any_script_and_of_any_length_is_drawn(tmp_path: Path, side: Survey) -> None:
    files = ("潮待ちの歌 " * 40 + ".wav",)
    picture = drawn(tmp_path / "side.png", replace(side, files=files), "Песни стоячей воды " * 20)
    assert (picture[20:80, WIDTH - 20 :] == (247, 242, 230)).all()


def test_a_side_too_short_for_a_spectrum_is_drawn(tmp_path: Path, side: Survey) -> None:
    spectrum = SpectrumCurve(side.bandwidth.spectrum.hz, np.zeros((0, 0), np.float32))
    short = replace(side, bandwidth=replace(side.bandwidth, spectrum=spectrum), frames=1)
    assert drawn(tmp_path / "side.png", short).shape[1] == WIDTH
