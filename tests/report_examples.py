"""Hand-made diagnoses of invented vehicles, for the tests of what is shown."""

from dataclasses import replace

import numpy as np

from vibeorder.diagnosis.advice import verdict
from vibeorder.diagnosis.result import (
    Diagnosis,
    LineSeen,
    NextDrive,
    OrderMap,
    RunoutCheck,
    SpectrumView,
    SpeedFit,
    Suspect,
)

__all__ = ["audio_diagnosis", "bent_flange", "healthy_drive", "suspect", "twins", "unexplained_drive"]


def suspect(
    part: str,
    order: float,
    probability: float,
    frequency_hz: float | None,
    *,
    expected_hz: float | None = None,
    amplitude: float = 0.02,
    snr_db: float = 9.0,
    healthy: bool = False,
    folded: bool = False,
    unit: str = "m/s^2",
    indistinct_from: tuple[tuple[str, float], ...] = (),
) -> Suspect:
    name = part.removeprefix("accessory:").replace("_", " ")
    return Suspect(
        part=part,
        order=order,
        label=f"{name}, order {order:g} ({order:g}x)",
        probability=probability,
        frequency_hz=frequency_hz,
        frequency_se_hz=None if frequency_hz is None else 0.02,
        expected_hz=frequency_hz if expected_hz is None else expected_hz,
        amplitude=amplitude,
        amplitude_rms=amplitude / 2**0.5,
        unit=unit,
        snr_db=snr_db,
        folded=folded,
        healthy=healthy,
        indistinct_from=indistinct_from,
        causes=("a bent flange", "a lost balance weight", "mud in the tube"),
        first_check="Runout of the flange, then of the tube at front, middle and rear",
        never="Do not balance before runout is within its limit",
        feel="a roughness in the seat and floor, and a boom",
    )


def bent_flange(drift: float = 0.12) -> Diagnosis:
    """A rear-drive truck at about 60 mph whose driveshaft shakes once a turn at 40.3 Hz."""
    wheel, shaft, engine = 11.55, 40.31, 31.2
    suspects = (
        suspect("driveshaft", 1.0, 0.97, shaft, expected_hz=40.8, amplitude=0.30, snr_db=24.0),
        suspect("tire_wheel", 1.0, 0.011, wheel, amplitude=0.012),
        suspect("tire_wheel", 2.0, 0.002, None, expected_hz=2 * wheel),
        suspect("tire_wheel", 3.0, 0.001, None, expected_hz=3 * wheel),
        suspect("tire_wheel", 4.0, 0.001, None, expected_hz=4 * wheel),
        suspect("half_shaft", 1.0, 0.001, wheel, indistinct_from=(("tire_wheel", 1.0),)),
        suspect("driveshaft", 2.0, 0.002, 2 * shaft, amplitude=0.015),
        suspect("engine", 0.5, 0.001, None, expected_hz=engine / 2),
        suspect("engine", 1.0, 0.002, engine, amplitude=0.012),
        suspect("engine", 2.0, 0.001, None, expected_hz=2 * engine),
        suspect("engine", 4.0, 0.001, 4 * engine, amplitude=0.05, snr_db=15.0, healthy=True),
        suspect("accessory:water pump", 1.0, 0.001, None, expected_hz=engine * 1.15),
    )
    nothing = 1.0 - sum(one.probability for one in suspects)
    return Diagnosis(
        verdict="97% sure: the driveshaft, first order (1x), shakes at 40.3 Hz. Check its runout first.",
        suspects=suspects,
        nothing_found_probability=nothing,
        runout_check=RunoutCheck(
            True, "pinion flange, then the tube at its rear", "first order of the shaft"
        ),
        speed=_speed(drift),
        recording={"source": "truck.csv", "kind": "acceleration", "rate_hz": 400.0, "duration_s": 75.0},
        vehicle_name="Marlow half-ton, 4x2",
        lines=(
            LineSeen(shaft, 0.004, 0.30, 24.0, (0.1, 0.2, 0.97), "driveshaft 1x"),
            LineSeen(4 * engine, 0.02, 0.05, 15.0, (0.1, 0.2, 0.97), "engine 4x (firing)"),
            LineSeen(71.3, 0.02, 0.02, 11.0, (0.1, 0.2, 0.97), ""),
        ),
        spectrum=_spectrum({shaft: 0.3, 4 * engine: 0.05, wheel: 0.012, 2 * shaft: 0.015, 71.3: 0.02}),
        order_map=_order_map(
            {"driveshaft 1x": shaft, "engine 4x": 4 * engine, "tire/wheel 1x": wheel}, drift
        ),
        next_drive=None,
        cautions=("Left from right cannot be told by frequency: move the wheels and drive again.",),
        notes=("The line at 71.3 Hz belongs to no part that turns; it stays put while speed changes.",),
        history=("3 axes in m/s^2, gravity taken out.", "12 repeated samples were dropped."),
    )


def twins() -> Diagnosis:
    """A 1.00 gear, converter locked: engine and driveshaft turn alike."""
    base = bent_flange()
    rest = 0.03 / 10
    changed = [replace(one, probability=rest) for one in base.suspects]
    changed[0] = replace(changed[0], probability=0.55, indistinct_from=(("engine", 1.0),))
    changed[8] = replace(changed[8], probability=0.40, frequency_hz=40.31, expected_hz=40.8, amplitude=0.3)
    return replace(
        base,
        suspects=tuple(changed),
        nothing_found_probability=1.0 - sum(one.probability for one in changed),
        verdict="Driveshaft or engine, first order (1x), at 40.3 Hz: 95% sure that it is one of the two.",
        next_drive=NextDrive("Coast from 65 to 45 mph in neutral.", "the driveshaft keeps shaking"),
    )


def healthy_drive() -> Diagnosis:
    """Nothing that turns explains anything."""
    base = bent_flange()
    calm = tuple(
        replace(one, probability=0.002, healthy=one.frequency_hz is not None, amplitude=0.004)
        for one in base.suspects
    )
    return replace(
        base,
        suspects=calm,
        nothing_found_probability=1.0 - 0.002 * len(calm),
        verdict="Nothing that turns explains a shake in this recording (98% sure).",
        runout_check=RunoutCheck(False, "", "no line is strong enough to be felt"),
    )


def unexplained_drive() -> Diagnosis:
    """A shake as strong as a complaint, at the rate of no part."""
    calm = healthy_drive()
    line = LineSeen(33.1, 0.02, 0.31, 14.0, (0.0, 0.0, 1.0), "")
    nothing = calm.nothing_found_probability
    return replace(calm, verdict=verdict(calm.suspects, nothing, None, line), unexplained=line)


def audio_diagnosis() -> Diagnosis:
    """The same truck through a microphone: amplitudes are relative."""
    base = bent_flange()
    return replace(base, suspects=tuple(replace(one, unit="relative") for one in base.suspects))


def _speed(drift: float) -> SpeedFit:
    times = np.linspace(0.0, 75.0, 301)
    path = 26.8 * (1.0 + drift * np.sin(2 * np.pi * times / 60.0))
    told = (
        "by the lines the wheels turned 1.9% slower than tire size and logged speed say",
        "the logged speed runs 0.7 s late",
    )
    return SpeedFit("logged", times, path, 0.995 * path, 1.005 * path, 0.981, 0.004, 0.7, "mph", 5, told)


def _spectrum(lines: dict[float, float]) -> SpectrumView:
    frequency = np.arange(1.0, 200.0, 0.1)
    floor = 0.02 / np.sqrt(frequency) + 0.004 / (1.0 + ((frequency - 14.0) / 2.0) ** 2)
    rough = np.random.default_rng(5).rayleigh(0.8, frequency.size)
    amplitude = floor * rough
    for at, size in lines.items():
        amplitude = np.hypot(amplitude, size * np.exp(-0.5 * ((frequency - at) / 0.12) ** 2))
    return SpectrumView(frequency, amplitude, floor, "m/s^2")


def _order_map(tracks: dict[str, float], drift: float) -> OrderMap:
    times, frequency = np.linspace(0.5, 74.5, 75), np.arange(1.0, 200.0, 0.5)
    sway = 1.0 + drift * np.sin(2 * np.pi * times / 60.0)
    level = -45.0 - 10 * np.log10(frequency)[None, :] + np.random.default_rng(6).normal(0, 2.5, (75, 398))
    for at in tracks.values():
        ridge = -18.0 - 3.0 * ((frequency[None, :] - at * sway[:, None]) / 0.6) ** 2
        level = np.maximum(level, ridge)
    return OrderMap(times, frequency, level, tuple((name, at * sway) for name, at in tracks.items()))
