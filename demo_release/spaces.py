"""Put sounds in a room or on tape, and set their level."""

import numpy as np
from scipy.ndimage import gaussian_filter1d, map_coordinates
from scipy.signal import butter, oaconvolve, sosfilt, sosfiltfilt


def room(rate: int, decay_s: float, seed: int, first_s: float = 0.018) -> np.ndarray:
    """Return the stereo impulse response of a room, of unit energy, without the direct sound.

    Parameters
    ----------
    decay_s
        Time in which a middle frequency falls by 60 dB; high ones fall faster.
    first_s
        Delay of the first reflection.
    """
    rng = np.random.default_rng(seed)
    length = int(1.25 * decay_s * rate)
    t = np.arange(length) / rate
    noise = rng.standard_normal((length, 3))
    response = np.zeros((length, 2))
    edges_hz = [60, 200, 600, 1800, 4500, 9000, 18000]
    parts = (0.95, 1.1, 1.0, 0.75, 0.48, 0.3)
    # Both ears receive nearly the same low frequencies, and different high ones.
    alike = (0.95, 0.85, 0.7, 0.55, 0.5, 0.5)
    for low_hz, high_hz, part, common in zip(
        edges_hz[:-1], edges_hz[1:], parts, alike, strict=True
    ):
        band = butter(2, [low_hz, high_hz], "bandpass", fs=rate, output="sos")
        level = np.sqrt(1000 / (high_hz - low_hz)) if high_hz < 1800 else 0.75
        fall = np.exp(-6.91 * t / (decay_s * part))[:, None]
        response += (
            level
            * fall
            * (
                np.sqrt(common) * sosfilt(band, noise[:, 2:], axis=0)
                + np.sqrt(1 - common) * sosfilt(band, noise[:, :2], axis=0)
            )
        )
    response *= (1 - np.exp(-t / 0.02))[:, None]
    early = np.zeros((length, 2))
    for side in (0, 1):
        when = (rng.uniform(0, 0.07, 9) * rate).astype(int)
        early[when, side] = rng.choice([-1, 1], 9) * 0.75 * np.exp(-when / rate / 0.04)
    early = sosfilt(butter(1, 5000, fs=rate, output="sos"), early, axis=0)
    response /= np.sqrt(np.sum(response**2) / 2)
    early /= np.sqrt(np.sum(early**2) / 2)
    late = np.concatenate([np.zeros((int(first_s * rate), 2)), 0.85 * response + 0.5 * early])
    end_s = 0.15 * decay_s
    late[-int(end_s * rate) :] *= np.linspace(1, 0, int(end_s * rate))[:, None] ** 2
    return late.astype(np.float32)


def in_room(dry: np.ndarray, response: np.ndarray, wet_db: float) -> np.ndarray:
    """Return a stereo sound with its room; each side reaches the other a little."""
    feed = dry @ np.array([[0.85, 0.35], [0.35, 0.85]], np.float32)
    wet = np.stack(
        [oaconvolve(feed[:, side], response[:, side])[: len(dry)] for side in (0, 1)], axis=1
    )
    return dry + 10 ** (wet_db / 20) * wet


def hiss(frames: int, channels: int, rate: int, seed: int) -> np.ndarray:
    """Return the noise of tape, of unit RMS."""
    rng = np.random.default_rng(seed)
    noise = rng.standard_normal((frames, channels))
    bright = sosfilt(butter(1, [500, 9000], "bandpass", fs=rate, output="sos"), noise, axis=0)
    low = sosfilt(butter(1, [40, 300], "bandpass", fs=rate, output="sos"), noise, axis=0)
    sound = bright / bright.std() + 0.4 * low / low.std()
    return sound / sound.std()


def wow(sound: np.ndarray, rate: int, seed: int, depth_percent: float) -> np.ndarray:
    """Return a sound whose speed wavers gently, as a worn transport does."""
    rng = np.random.default_rng(seed)
    control_hz = 100
    count = int(len(sound) / rate * control_hz) + 2
    slow = gaussian_filter1d(rng.standard_normal(count), 0.3 * control_hz)
    turn = np.sin(2 * np.pi * 0.55 * np.arange(count) / control_hz)
    flutter = np.sin(2 * np.pi * 6.3 * np.arange(count) / control_hz)
    speed = 0.6 * slow / slow.std() + 0.6 * turn + 0.12 * flutter
    late = np.cumsum(speed - speed.mean()) / control_hz * depth_percent / 100 * rate
    frames = np.arange(len(sound))
    where = frames + np.interp(frames / rate * control_hz, np.arange(count), late)
    channels = [
        map_coordinates(np.ascontiguousarray(channel), [where], order=3, mode="nearest")
        for channel in sound.T
    ]
    return np.stack(channels, axis=1)


def filtered(
    sound: np.ndarray, rate: int, low_hz: float, high_hz: float, order: int = 2
) -> np.ndarray:
    """Return a sound between two frequencies."""
    band = butter(order, [low_hz, high_hz], "bandpass", fs=rate, output="sos")
    return sosfilt(band, sound, axis=0)


def crackle(frames: int, rate: int, seed: int, per_second: float) -> np.ndarray:
    """Return the ticks of a worn disc, mono, mostly far below one."""
    rng = np.random.default_rng(seed)
    ticks = np.zeros(frames)
    count = int(per_second * frames / rate)
    ticks[rng.integers(0, frames, count)] = rng.choice([-1, 1], count) * rng.lognormal(
        -1.6, 0.8, count
    )
    return sosfilt(butter(1, [700, 6000], "bandpass", fs=rate, output="sos"), ticks)


def limited(sound: np.ndarray, rate: int, ceiling_db: float) -> np.ndarray:
    """Return a sound whose peaks are held under a ceiling by a smooth gain with look-ahead."""
    ceiling = 10 ** (ceiling_db / 20)
    step = rate // 1000
    peaks = np.abs(sound).max(axis=1)
    blocks = np.pad(peaks, (0, -len(peaks) % step)).reshape(-1, step).max(axis=1)
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(blocks, 12), 25).max(axis=1)
    gain = np.minimum(1, ceiling / np.maximum(wide, 1e-9))
    gain = gaussian_filter1d(gain, 4.0, truncate=3.0)
    frames = np.arange(len(sound))
    held = sound * np.interp(frames, (np.arange(len(gain)) + 0.5) * step, gain)[:, None]
    return np.clip(held, -ceiling, ceiling)


def without_rumble(sound: np.ndarray, rate: int) -> np.ndarray:
    """Return a sound without DC offset and frequencies below 25 Hz."""
    return sosfiltfilt(butter(2, 25, "highpass", fs=rate, output="sos"), sound, axis=0)


def at_level(sound: np.ndarray, rate: int, level_db: float, peak_db: float = -0.5) -> np.ndarray:
    """Return a sound whose louder half-seconds have this RMS, with its peaks under `peak_db`."""
    block = rate // 2
    blocks = sound[: len(sound) // block * block].reshape(-1, block * sound.shape[1])
    power = np.mean(blocks**2, axis=1)
    loud = power[power > 0.02 * power.max()].mean()
    return limited(sound * 10 ** (level_db / 20) / np.sqrt(loud), rate, peak_db)


def faded(sound: np.ndarray, rate: int, in_s: float, out_s: float) -> np.ndarray:
    """Return a sound faded in and out at its ends."""
    t = np.arange(len(sound)) / rate
    gain = np.clip(t / in_s, 0, 1) * np.clip((t[-1] - t) / out_s, 0, 1)
    return sound * (np.sin(gain * np.pi / 2) ** 2)[:, None]
