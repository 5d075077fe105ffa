"""Make the recordings, the cover and the logo of the demo releases, all of them synthetic."""

import argparse
import shutil
import time
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path
from typing import NamedTuple

import net_loft_side
import numpy as np
import pieces
import soundfile
from cover import cover


class Recording(NamedTuple):
    """A piece and its files; two names are a pair of mono files."""

    names: tuple[str, ...]
    rate: int
    subtype: str
    perform: Callable[[int], np.ndarray]


# The slowest first, so that the processes finish together.
RECORDINGS = (
    Recording(("net-loft-L.wav", "net-loft-R.wav"), 48000, "PCM_24", net_loft_side.net_loft),
    Recording(("side-b.flac",), 44100, "PCM_16", pieces.side_b),
    Recording(("ropewalk-L.wav", "ropewalk-R.wav"), 96000, "PCM_24", pieces.ropewalk),
    Recording(("tide-table.wav",), 48000, "PCM_24", pieces.tide_table),
    Recording(("harbour-psalm.wav",), 44100, "FLOAT", pieces.harbour_psalm),
    Recording(("counting-the-piles.aiff",), 88200, "FLOAT", pieces.counting_the_piles),
    Recording(("low-lantern.wav",), 44100, "PCM_24", pieces.low_lantern),
    Recording(("ferrymans-grace.wav",), 48000, "PCM_16", pieces.ferrymans_grace),
)
COVER_NAME, LOGO_NAME = "front.png", "tidewrack.svg"


def as_written(sound: np.ndarray, subtype: str) -> np.ndarray:
    """Return the samples to write: dithered and rounded for PCM."""
    if subtype == "FLOAT":
        return sound.astype(np.float32)
    bits = int(subtype.removeprefix("PCM_"))
    rng = np.random.default_rng(bits)
    dither = rng.random(sound.shape) - rng.random(sound.shape)
    return np.round(sound * 2 ** (bits - 1) + dither).astype(np.int32) << (32 - bits)


def undate(path: Path) -> None:
    """Clear the time of writing in the PEAK chunk of a float file, so that files repeat."""
    with path.open("r+b") as file:
        place = file.read(256).find(b"PEAK")
        if place >= 0:
            file.seek(place + 12)  # after the name, the size and the version of the chunk
            file.write(bytes(4))


def record(recording: Recording, folder: Path) -> list[str]:
    """Perform a piece, write its files and describe each in a line."""
    sound = recording.perform(recording.rate)
    channels = [sound] if len(recording.names) == 1 else list(sound.T)
    lines = []
    for name, part in zip(recording.names, channels, strict=True):
        # A truncated file must not be taken for a finished one.
        unfinished = folder / f"unfinished-{name}"
        written = as_written(part, recording.subtype)
        soundfile.write(unfinished, written, recording.rate, subtype=recording.subtype)
        if recording.subtype == "FLOAT":
            undate(unfinished)
        unfinished.replace(folder / name)
        peak_db = 20 * np.log10(np.abs(part).max())
        kind = "mono" if part.ndim == 1 else "stereo"
        width = {"PCM_16": "16-bit", "PCM_24": "24-bit", "FLOAT": "32-bit float"}
        lines.append(
            f"{name:24} {recording.rate:6} Hz  {width[recording.subtype]:12} {kind:6} "
            f"{len(part) / recording.rate:7.2f} s  peak {peak_db:6.2f} dBFS"
        )
    return lines


def main() -> None:
    """Make the missing files, or all files again; of named files only these."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("names", nargs="*", help="files to make; without names, all")
    parser.add_argument("--out", type=Path, default=Path(__file__).parent / "sources")
    parser.add_argument("--again", action="store_true", help="make existing files again")
    options = parser.parse_args()
    known = {COVER_NAME, LOGO_NAME, *(name for recording in RECORDINGS for name in recording.names)}
    if unknown := sorted(set(options.names) - known):
        parser.error(f"no such file: {', '.join(unknown)}; it makes {', '.join(sorted(known))}")
    options.out.mkdir(parents=True, exist_ok=True)
    if not options.names or LOGO_NAME in options.names:
        shutil.copyfile(Path(__file__).with_name(LOGO_NAME), options.out / LOGO_NAME)
    started_s = time.monotonic()
    missing = [
        r
        for r in RECORDINGS
        if not options.names or set(r.names) & set(options.names)
        if options.again or not all((options.out / name).exists() for name in r.names)
    ]
    with ProcessPoolExecutor(max_workers=2) as workers:
        jobs = [workers.submit(record, recording, options.out) for recording in missing]
        for recording, job in zip(missing, jobs, strict=True):
            print("\n".join(job.result()), flush=True)
            if recording.perform is pieces.side_b:
                print(
                    f"{'':24} first sound {pieces.SIDE_B_START_S:.3f} s, Undertow from "
                    f"{pieces.SIDE_B_SEGUE_S:.3f} s, silent from {pieces.SIDE_B_END_S:.3f} s"
                )
    wanted = not options.names or COVER_NAME in options.names
    if wanted and (options.again or not (options.out / COVER_NAME).exists()):
        picture = cover()
        unfinished = options.out / f"unfinished-{COVER_NAME}"
        picture.save(unfinished, dpi=(300, 300))
        unfinished.replace(options.out / COVER_NAME)
        print(f"{COVER_NAME:24} {picture.width} x {picture.height} pixels, {picture.mode}")
    print(f"{len(missing)} recordings made in {time.monotonic() - started_s:.0f} s")


if __name__ == "__main__":
    main()
