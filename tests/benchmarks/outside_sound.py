"""Sound in the cabin of the outside world: a phone's WAV with engine, wind, tires and the shake as boom.

1 m/s^2 of a floor makes one unit of sound pressure; wind and tires make 0.01 to 0.03 of that unit per root hertz at
30 Hz and 25 m/s, falling with frequency and growing with speed. The engine is also heard through the air. The
microphone loses the bottom below 15 to 80 Hz and its gain rides. No public source was found for these: judgements,
save that built-in microphones may be useless below 200 Hz by their system's filter, which stays milder here.
"""

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray
from outside_drives import Drive, part_turns, wander
from outside_lines import FREQS, Line, line_samples
from outside_vehicles import Car
from scipy.signal import butter, lfilter, resample_poly, sosfilt

__all__ = ["LOW_HZ", "cabin_sound", "write_sound"]

Floats = NDArray[np.float64]
LOW_HZ = 2000
HEARD = 0.4
AIRBORNE = (1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.0)


def _noise(count: int, slope: float, rng: np.random.Generator) -> Floats:
    """Noise with one-sided amplitude density 1 per root hertz at 30 Hz that falls as f^-slope, at LOW_HZ."""
    spectrum = np.fft.rfft(rng.standard_normal(count) * np.sqrt(LOW_HZ / 2))
    freqs = np.maximum(np.fft.rfftfreq(count, 1 / LOW_HZ), 3.0)
    return np.fft.irfft(spectrum * (freqs / 30) ** -slope, count)


def _ear(lines: list[Line], rng: np.random.Generator) -> Floats:
    """How much of each axis of the floor is heard; drawn so that the fault, where there is one, is heard and not lost.

    Sound has no scale: a fault heard no louder than healthy lines could not be told from them on principle.
    """
    while True:
        ear = rng.normal(0.6, 0.3, 3)
        main = lines[0]
        way = main.response[np.searchsorted(FREQS, np.median(main.rate())) % len(FREQS)]
        if not main.fault or abs(way @ ear) > HEARD * np.linalg.norm(way):
            return np.asarray(ear, dtype=np.float64)


def cabin_sound(car: Car, drive: Drive, lines: list[Line], rng: np.random.Generator) -> Floats:
    """Pressure in units of 1 m/s^2 of floor, at LOW_HZ, before the microphone."""
    at = np.arange(int(drive.time_s[-1] * LOW_HZ)) / LOW_HZ
    speed = np.interp(at, drive.time_s, drive.speed_mps)
    out = line_samples(lines, drive, at) @ _ear(lines, rng)
    density = rng.uniform(0.01, 0.03)
    out += density * _noise(len(at), rng.uniform(0.6, 1.1), rng) * (speed / 25) ** 1.5
    turns = part_turns(car, drive)
    if "engine" in turns:
        load = np.interp(at, drive.time_s, drive.load)
        loud = rng.uniform(0.02, 0.2) * (0.4 + 0.6 * np.clip(load, 0, 1))
        phase = np.interp(at, drive.time_s, turns["engine"]) * car.cylinders / 2
        for order in AIRBORNE:
            if order * car.cylinders / 2 * drive.engine_hz.max() < LOW_HZ / 2:
                share = rng.uniform(0.1, 1.0) / order ** rng.uniform(0.5, 1.5)
                out += loud * share * np.sqrt(2) * np.cos(2 * np.pi * order * phase + rng.uniform(0, 6.3))
    gusts = np.interp(at, drive.time_s, wander(rng, len(drive.time_s), 1.0))
    return out * (1 + 0.05 * gusts)


def write_sound(path: Path, pressure: Floats, rng: np.random.Generator) -> None:
    """What the phone keeps: low end lost, gain riding, hiss of tires added above, 16 bit at 16 to 48 kHz."""
    heard = sosfilt(butter(2, rng.uniform(15, 80), "highpass", fs=LOW_HZ, output="sos"), pressure)
    keep = np.exp(-1 / (LOW_HZ * rng.uniform(0.5, 3)))
    level = np.sqrt(np.maximum(lfilter([1 - keep], [1, -keep], heard**2), 1e-12))
    heard = heard / np.maximum(level, np.median(level) / 4) ** rng.choice([0.0, 0.4, 0.8])
    rate = int(rng.choice([16_000, 32_000, 48_000]))
    full = resample_poly(heard, rate // LOW_HZ, 1)
    tires = sosfilt(butter(2, (600, 1300), "bandpass", fs=rate, output="sos"), rng.standard_normal(len(full)))
    full = full / np.abs(full).max()
    full += tires / tires.std() * rng.uniform(0.005, 0.05) + 10 ** (
        -rng.uniform(60, 75) / 20
    ) * rng.standard_normal(len(full))
    full *= rng.choice([0.1, 0.4, 0.9, 1.3], p=[0.3, 0.4, 0.22, 0.08])
    soundfile.write(path, np.clip(full, -1, 1), rate, subtype="PCM_16")
