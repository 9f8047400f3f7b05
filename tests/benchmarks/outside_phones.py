"""What a phone on the floor makes of the shake: place, attitude, clock, filters, steps, and a GPS that lags.

Sample rates and a missing filter before sampling: the compatibility definition of a common phone system asks for 50 Hz
at least and 200 Hz better, stamps that jitter by less than 3%, and for no filter at all (see the check values
named in docs/recording-formats.md and docs/how-to-record.md). GPS speed within 0.5 m/s in 95% (same source), late by up
to a second and a half (a judgement). Bursts, repeated rows and gaps as in real logs (docs/recording-formats.md).
"""

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from outside_drives import Drive
from outside_lines import FREQS, Line, felt_rms, line_samples
from outside_roads import GRID_HZ
from scipy.signal import bilinear, butter, lfilter, sosfilt, sosfreqz

__all__ = ["Logged", "Phone", "Track", "draw_phone", "gps_track", "record", "seated", "suits"]

Floats = NDArray[np.float64]
G = 9.80665
LOST_HZ = 3.0
CUSHION_HZ, CUSHION_DAMPING, LEAST_LEFT = 9.0, 0.35, 0.2
RATES = (50.0, 52.0, 100.0, 104.0, 125.0, 200.0, 208.0, 250.0, 400.0, 417.0, 500.0)
RATE_SHARES = (0.06, 0.04, 0.22, 0.06, 0.04, 0.24, 0.06, 0.06, 0.12, 0.04, 0.06)


@dataclass(frozen=True, slots=True)
class Phone:
    """One phone and its app. clock: true, late, burst or repeat. mount_hz 0: it lies on the floor or the seat track.

    cushion: it lies on the seat. filter_share: corner of the filter before sampling over the rate, 0 none.
    unit_mps2: one unit of the log in m/s^2; step: quantum in that unit; reach: end of the range in m/s^2.
    """

    rate_hz: float
    clock: str
    jitter: float
    drop: float
    gap_s: float
    filter_share: float
    mount_hz: float
    mount_damping: float
    cushion: bool
    gravity: bool
    unit: str
    step: float
    reach: float
    touches: int


@dataclass(frozen=True, slots=True)
class Logged:
    """Rows of a log: stamps in s since the first sample, axes (n, 3) in the phone's unit."""

    stamp_s: Floats
    axes: Floats
    notes: list[str] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Track:
    """Road speed as a device logged it: its stamps in s, m/s (NaN: no fix)."""

    stamp_s: Floats
    speed_mps: Floats


UNITS = {"m/s^2": 1.0, "g": G, "mg": G / 1000}


def draw_phone(rng: np.random.Generator, loose: bool) -> Phone:
    """Some phone; loose: one whose mount rattles along at its own frequency, which is all that is wrong."""
    unit = str(rng.choice(["m/s^2", "g", "mg"], p=[0.6, 0.3, 0.1]))
    clock = str(rng.choice(["true", "late", "burst", "repeat"], p=[0.45, 0.25, 0.15, 0.15]))
    place = str(rng.choice(["floor", "mount", "cushion"], p=[0.7, 0.18, 0.12]))
    step_mps2 = float(rng.choice([0.001, 0.01, 0.0383]))
    mounted = loose or place == "mount"
    return Phone(
        rate_hz=float(rng.choice(RATES, p=RATE_SHARES) * (1 + 0.008 * rng.standard_normal())),
        clock=clock, jitter=float(rng.choice([0.001, 0.01, 0.05, 0.1])),
        drop=float(rng.choice([0.0, 0.0, 0.002, 0.01])), gap_s=float(rng.uniform(0.4, 4) if rng.random() < 0.15 else 0),
        filter_share=float(rng.choice([0.0, 0.25, 0.4], p=[0.65, 0.1, 0.25])),
        mount_hz=float(rng.uniform(13, 32) if loose else rng.uniform(15, 60)) if mounted else 0.0,
        mount_damping=float(rng.uniform(0.006, 0.02) if loose else rng.uniform(0.06, 0.25)),
        cushion=place == "cushion" and not loose, gravity=bool(rng.random() < 0.82), unit=unit,
        step=max(round(step_mps2 / UNITS[unit], 4), {"m/s^2": 0.001, "g": 0.0001, "mg": 0.1}[unit]),
        reach=float(rng.choice([2, 4, 8], p=[0.1, 0.3, 0.6]) * G),
        touches=int(rng.choice([0, 1, 2], p=[0.75, 0.18, 0.07])),
    )  # fmt: skip


def _through(phone: Phone) -> tuple[NDArray[np.complex128], list[tuple[Floats, Floats]]]:
    """What the place and the filter do: their response over FREQS, and the same as digital filters at GRID_HZ."""
    gain = np.ones(len(FREQS), dtype=np.complex128)
    filters: list[tuple[Floats, Floats]] = []
    if phone.mount_hz:
        w, d = 2 * np.pi * phone.mount_hz, phone.mount_damping
        gain = gain * _sprung(phone.mount_hz, d)
        filters.append(_mount_filter(w, d))
    if phone.cushion:
        gain = gain * _sprung(CUSHION_HZ, CUSHION_DAMPING)
        filters.append(_mount_filter(2 * np.pi * CUSHION_HZ, CUSHION_DAMPING))
    if phone.filter_share:
        corner = phone.filter_share * phone.rate_hz
        sos = butter(4, corner / (GRID_HZ / 2) if corner < GRID_HZ / 2 else 0.99, output="sos")
        gain = gain * sosfreqz(sos, worN=np.minimum(FREQS, GRID_HZ / 2 - 1), fs=GRID_HZ)[1]
    return gain, filters


def _mount_filter(w: float, d: float) -> tuple[Floats, Floats]:
    """A mass on a spring, shaken at its foot: what it does over what its foot does."""
    b, a = bilinear([2 * d * w, w * w], [1, 2 * d * w, w * w], GRID_HZ)
    return b, a


def record(phone: Phone, drive: Drive, lines: list[Line], floor: Floats, rng: np.random.Generator) -> Logged:
    """The rows that the app writes of this drive. floor: from outside_roads.floor_motion."""
    gain, filters = _through(phone)
    ground = floor.copy()
    for b, a in filters:
        start = ground[0].copy()
        ground = lfilter(b, a, ground - start, axis=0) + start
    if phone.filter_share and phone.filter_share * phone.rate_hz < GRID_HZ / 2:
        sos = butter(4, phone.filter_share * phone.rate_hz / (GRID_HZ / 2), output="sos")
        start = ground[0].copy()
        ground = sosfilt(sos, ground - start, axis=0) + start
    taken, stamps = _instants(phone, float(drive.time_s[-1]), rng)
    grid = np.arange(len(ground)) / GRID_HZ
    axes = np.stack([np.interp(taken, grid, ground[:, i]) for i in range(3)], axis=1)
    axes += line_samples(lines, drive, taken, gain)
    axes = _held(phone, axes, taken, rng)
    if phone.clock == "repeat":  # the app writes faster than the sensor gives
        every = np.arange(0, taken[-1], 1 / (phone.rate_hz * rng.uniform(1.3, 2.6)))
        axes, stamps = axes[np.searchsorted(taken, every, side="right") - 1], every
    keep = rng.random(len(stamps)) >= phone.drop
    if phone.gap_s:
        at = rng.uniform(0.2, 0.8) * stamps[-1]
        keep &= (stamps < at) | (stamps > at + phone.gap_s)
    order = np.flatnonzero(keep)
    if rng.random() < 0.08:  # some rows are written twice
        order = np.sort(np.concatenate([order, rng.choice(order, len(order) // 100)]))
    return Logged(stamps[order], axes[order])


def _instants(phone: Phone, long_s: float, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """When samples are taken, and what the log says of it."""
    count = int(long_s * phone.rate_hz)
    step = 1 / phone.rate_hz
    even: Floats = np.asarray(np.arange(count) * step, dtype=np.float64)
    if phone.clock == "true":
        uneven = np.maximum(even + phone.jitter * step * rng.standard_normal(count), 0)
        taken: Floats = np.asarray(np.maximum.accumulate(uneven), dtype=np.float64)
        return taken, taken
    if phone.clock == "late":
        return even, np.maximum.accumulate(even + rng.exponential(0.3 * step, count))
    if phone.clock == "burst":
        size = int(rng.integers(3, 20))
        last = (np.arange(count) // size + 1) * size - 1
        written = last * step + np.repeat(rng.exponential(0.5 * step, count // size + 1), size)[:count]
        return even, np.maximum.accumulate(written + (np.arange(count) % size) * 2e-4)
    return even, even


def _held(phone: Phone, axes: Floats, taken: Floats, rng: np.random.Generator) -> Floats:
    """Attitude, hands on the phone, gravity taken out or not, noise, range and steps; in the phone's unit."""
    spin = np.linalg.qr(rng.standard_normal((3, 3)))[0]
    spin *= np.sign(np.linalg.det(spin))
    out = axes @ spin.T
    for _ in range(phone.touches):
        at, long = rng.uniform(0.05, 0.95) * taken[-1], rng.uniform(0.5, 2.5)
        near = np.exp(-(((taken - at) / long) ** 2) * 4)
        shove = np.stack(
            [np.sin(2 * np.pi * rng.uniform(0.5, 4) * taken + rng.uniform(0, 6)) for _ in range(3)], axis=1
        )
        out += near[:, None] * shove * rng.uniform(0.5, 4)
        if rng.random() < 0.4:  # it lies another way afterwards
            turn, upper = np.linalg.qr(np.eye(3) + rng.uniform(0.05, 0.3) * rng.standard_normal((3, 3)))
            turn = turn * np.sign(np.diag(upper))  # near the identity, not a mirror of it
            share = 1 / (1 + np.exp(-np.clip((taken - at) / long * 6, -60, 60)))
            out = (1 - share)[:, None] * out + share[:, None] * (out @ turn.T)
    if not phone.gravity:
        keep = np.exp(-1 / (phone.rate_hz * rng.uniform(0.8, 2.0)))
        slow, _ = lfilter([1 - keep], [1, -keep], out, axis=0, zi=out[:1] * keep)
        out = out - slow
    out += rng.uniform(0.005, 0.05) * rng.standard_normal(out.shape)
    out = np.clip(out, -phone.reach, phone.reach) / UNITS[phone.unit]
    return np.asarray(np.round(np.round(out / phone.step) * phone.step, 6), dtype=np.float64)


def suits(phone: Phone, rate: Floats) -> Phone:
    """The phone changed where it would leave nothing of a line of this course, in Hz: undetectable on principle.

    A filter below the line goes. A sample rate at which the line folds to less than 3 Hz, among gravity, pulling and
    braking, for half of the time, is raised by 7% until it does not.
    """
    if phone.filter_share and np.percentile(rate, 80) > phone.filter_share * phone.rate_hz:
        phone = replace(phone, filter_share=0.0)
    moving = rate[rate > LOST_HZ]
    while (
        moving.size
        and np.mean(np.abs(moving - np.round(moving / phone.rate_hz) * phone.rate_hz) < LOST_HZ) > 0.5
    ):
        phone = replace(phone, rate_hz=phone.rate_hz * 1.07)
    return phone


def seated(phone: Phone, lines: list[Line]) -> tuple[Phone, list[Line]]:
    """Phone and lines where the phone lies on a cushion: the fault's main line has its level there.

    Who complains sits on it. What it swallows by more than four fifths nobody feels there: then the phone lies on the
    floor after all.
    """
    if not phone.cushion:
        return phone, lines
    main, foam = lines[0], _sprung(CUSHION_HZ, CUSHION_DAMPING)[:, None]
    left = felt_rms(replace(main, response=main.response * foam)) / max(felt_rms(main), 1e-9)
    if left < LEAST_LEFT:
        return replace(phone, cushion=False), lines
    return phone, [replace(line, strength=line.strength / left) if line.fault else line for line in lines]


def _sprung(hertz: float, damping: float) -> NDArray[np.complex128]:
    """What a mass on a spring does over what its foot does, over FREQS; foam under a phone is such a spring."""
    s, w = 2j * np.pi * FREQS, 2 * np.pi * hertz
    gain: NDArray[np.complex128] = (2 * damping * w * s + w * w) / (s * s + 2 * damping * w * s + w * w)
    return gain


def gps_track(drive: Drive, rng: np.random.Generator, holes: bool = True) -> Track:
    """Speed once a second (or five times), late, smoothed, noisy, with holes; stamps on the drive's clock."""
    step = float(rng.choice([1.0, 1.0, 1.0, 0.2]))
    stamps = np.arange(rng.uniform(0, 1), drive.time_s[-1], step)
    stamps = stamps + (0.01 * rng.standard_normal(len(stamps)) if rng.random() < 0.5 else 0.0)
    lag, smooth = rng.uniform(0.2, 1.3), rng.uniform(0.05, 0.8)
    keep = np.exp(-0.01 / smooth)
    eased = lfilter([1 - keep], [1, -keep], drive.speed_mps - drive.speed_mps[0]) + drive.speed_mps[0]
    speed = np.interp(stamps - lag, drive.time_s, eased)
    speed = speed + rng.choice([0.03, 0.1, 0.25]) * rng.standard_normal(len(stamps))
    speed = np.maximum(speed, 0)
    if holes and rng.random() < 0.3:
        for _ in range(int(rng.integers(1, 4))):
            at = rng.uniform(0, stamps[-1])
            speed[(stamps > at) & (stamps < at + rng.uniform(2, 9))] = np.nan
    return Track(stamps, speed)
