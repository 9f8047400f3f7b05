"""One road test of the outside world from one seed: files, the words typed, and the truth.

What is drawn is only held back where the truth could not be known on principle: a filter before sampling that would
remove the fault goes, and a sample rate that folds it to under 3 Hz; in sound no fault lies below 20 Hz; a fixed tone
that no part makes is only heard where the speed changes, since at one speed any tone has some part's rate.
"""

import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from outside_drives import STEP_S, Drive, draw_drive, part_turns, wander
from outside_files import Said, said_range, said_speed, write_log, write_speed_log
from outside_lines import Fault, Line, draw_fault, draw_lines, felt_rms
from outside_phones import draw_phone, gps_track, record, seated, suits
from outside_roads import draw_road, floor_motion
from outside_sound import cabin_sound, write_sound
from outside_vehicles import Car, draw_car, profile_text

__all__ = ["TOLD", "Case", "draw_case", "keep_truth", "same_rate", "write_case"]

Floats = NDArray[np.float64]
TOLD = {
    "speed in the file": 0.28, "speed in its own log": 0.15, "speed off the dash": 0.2, "range of speeds": 0.12,
    "nothing": 0.1, "sound, speed off the dash": 0.1, "sound, nothing": 0.05,
}  # fmt: skip
CHANGING = ("pull", "sweep", "coast", "city")
HEALTHY_SHARE, ODD_SHARE = 1 / 3, 0.35
SOUND_FROM_HZ = 20.0
CYCLES_APART = 1.5
ACTIVE = 0.3


@dataclass(frozen=True, slots=True)
class Case:
    """One drawn road test before its files are written. odd: what shakes without turning, or empty."""

    seed: int
    told: str
    car: Car
    drive: Drive
    fault: Fault | None
    odd: str
    lines: list[Line]
    gear_told: int | None
    rng: np.random.Generator


def _drive_kind(told: str, rng: np.random.Generator) -> str:
    if "dash" in told:
        return str(rng.choice(["steady", "hills"], p=[0.7, 0.3]))
    if told == "range of speeds":
        return str(rng.choice(CHANGING, p=[0.3, 0.4, 0.15, 0.15]))
    return str(rng.choice(["steady", "hills", *CHANGING], p=[0.25, 0.12, 0.15, 0.23, 0.1, 0.15]))


def draw_case(seed: int) -> Case:
    """The case of a seed, the same at every call."""
    rng = np.random.default_rng([seed, 77])
    told = str(rng.choice(list(TOLD), p=list(TOLD.values())))
    car, kind = draw_car(rng), _drive_kind(told, rng)
    drive = draw_drive(car, kind, rng, hold=bool(rng.random() < 0.55))
    if told.startswith("sound"):
        drive = _cut(drive, 75.0)
    healthy = rng.random() < HEALTHY_SHARE
    fault, odd = None, ""
    if healthy and rng.random() < ODD_SHARE:
        odd = "loose mount" if kind not in CHANGING or rng.random() < 0.5 else "fixed tone"
        if told.startswith("sound"):
            odd = "fixed tone" if kind in CHANGING else ""
    elif not healthy:
        fault = _fault_for(car, drive, told, rng)
    lines = draw_lines(car, drive, fault, rng)
    if odd == "fixed tone":
        lines.insert(0, _tone(drive, told, rng))
    held = drive.held_gear() if car.gears else None
    gear = held if held is not None and rng.random() < 0.5 else None
    return Case(seed, told, car, drive, fault, odd, lines, gear, rng)


def _cut(drive: Drive, long_s: float) -> Drive:
    n = int(long_s / STEP_S)
    return Drive(
        drive.kind, drive.time_s[:n], drive.speed_mps[:n], drive.accel[:n], drive.slope[:n], drive.curve[:n],
        drive.load[:n], drive.gear[:n], drive.engine_hz[:n],
    )  # fmt: skip


def _fault_for(car: Car, drive: Drive, told: str, rng: np.random.Generator) -> Fault:
    turns = part_turns(car, drive)
    while True:
        fault = draw_fault(car, rng)
        rate = float(np.median(np.gradient(turns[fault.part], STEP_S))) * fault.order
        if not told.startswith("sound") or rate > SOUND_FROM_HZ:
            return fault


def _tone(drive: Drive, told: str, rng: np.random.Generator) -> Line:
    """A shake that has nothing to do with the drive: a cooling box, a fan on the body; it drifts by 0.3%."""
    hz = float(np.exp(rng.uniform(np.log(SOUND_FROM_HZ if told.startswith("sound") else 9), np.log(60))))
    rate = hz * (1 + 0.003 * wander(rng, len(drive.time_s), 15.0))
    way = np.outer(np.ones(15_000), rng.standard_normal(3)).astype(np.complex128)
    strength = np.full(len(rate), rng.uniform(0.1, 0.5) * np.sqrt(2) / np.linalg.norm(way[0]))
    return Line("none", 1.0, np.cumsum(rate) * STEP_S, strength, 0.0, way, False)


def write_case(case: Case, folder: Path) -> tuple[Said, dict[str, object]]:
    """Write every file of a case; what is typed, and the truth for the examiner."""
    rng, drive = case.rng, case.drive
    (folder / "vehicle.toml").write_text(profile_text(case.car, rng))
    sound = case.told.startswith("sound")
    phone = draw_phone(rng, loose=case.odd == "loose mount")
    if case.fault is not None and not sound:
        phone, lines = seated(phone, case.lines)
        case = replace(case, lines=lines)
    if case.fault is not None:
        phone = suits(phone, case.lines[0].rate())
    if sound:
        path = folder / "memo.wav"
        write_sound(path, cabin_sound(case.car, drive, case.lines, rng), rng)
        said = Said(path, [], "wav")
    else:
        floor = floor_motion(case.car, drive, draw_road(rng, drive.kind == "city"), rng)
        logged = record(phone, drive, case.lines, floor, rng)
        own = gps_track(drive, rng) if case.told == "speed in the file" else None
        said = write_log(folder, logged, phone, own, rng)
    options = list(said.options)
    if case.told == "speed in its own log":
        options += write_speed_log(folder, gps_track(drive, rng, holes=False), drive, rng)
    if "dash" in case.told:
        options += said_speed(drive, rng)
    if case.told == "range of speeds":
        options += said_range(drive, rng)
    if case.gear_told is not None:
        options += ["--gear", str(case.gear_told)]
    said = replace(said, options=options)
    return said, _truth(case, said, None if sound else phone.rate_hz)


def _truth(case: Case, said: Said, rate_hz: float | None) -> dict[str, object]:
    """What is so, as JSON."""
    drive, line = case.drive, case.lines[0]
    felt = case.fault is not None or case.odd == "fixed tone"
    return {
        "seed": case.seed, "told": case.told, "options": said.options, "form": said.form, "drive": drive.kind,
        "layout": case.car.layout, "cylinders": case.car.cylinders,
        "duration_s": float(drive.time_s[-1]), "rate_hz": rate_hz,
        "part": case.fault.part if case.fault else None, "order": case.fault.order if case.fault else None,
        "odd": case.odd, "rms_mps2": felt_rms(line) if felt else 0.0,
        "rms_all_mps2": float(np.sqrt(np.mean(line.strength**2) / 2)) if case.odd == "fixed tone" else 0.0,
        "median_hz": float(np.median(line.rate())) if felt else None,
        "range_hz": [float(v) for v in np.percentile(line.rate(), [5, 95])] if felt else None,
        "speed_mps": [float(v) for v in np.percentile(drive.speed_mps, [5, 50, 95])],
        "gears": sorted({int(g) for g in drive.gear}), "gear_told": case.gear_told,
        "wheel_circumference_m": case.car.wheel_circumferences(), "engine_hz": float(np.median(drive.engine_hz)),
    }  # fmt: skip


def same_rate(case: Case, part: str, order: float) -> bool:
    """Whether part and order run with the fault: under 1.5 cycles apart over all of the time that it shakes.

    1.5 cycles apart over the record is one and a half bins of its Fourier transform: what no method resolves. Wheels
    are taken as alike here: which of them is worn more nobody is told, so no answer can turn on it.
    """
    if case.fault is None:
        return False
    if (part, order) == (case.fault.part, case.fault.order):
        return True
    turns = part_turns(replace(case.car, wheel_scale=(1.0, 1.0, 1.0, 1.0)), case.drive)
    if part not in turns:
        return False
    mine = turns[case.fault.part] * case.fault.order
    apart = np.abs(np.gradient(turns[part] * order - mine, STEP_S))
    line = case.lines[0]
    active = line.strength > ACTIVE * line.strength.max()
    return bool(np.sum(apart[active]) * STEP_S < CYCLES_APART)


def keep_truth(folder: Path, truth: dict[str, object]) -> None:
    """Write truth.json beside the files of a case."""
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n")
