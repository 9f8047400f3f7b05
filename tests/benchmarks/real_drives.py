"""Real recordings through the readers and the diagnosis, and real background with an order added.

    python tests/benchmarks/real_drives.py [--draws 3] [--write docs/accuracy.md]

The recordings lie beside the checkout (../shared/data, with their sources and licences in PROVENANCE.md) and are
read in place; where the folder is missing this says so and stops. None of the drives has a stated fault, so the
right answer to each is "nothing". Vehicles are as far as their sources describe them; what is assumed is in DRIVES.
"""

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from common import publish, table
from real_turning import turning_table

from vibeorder.diagnosis import Diagnosis, diagnose
from vibeorder.errors import VibeorderError
from vibeorder.recording import ReadOptions, Recording, Trace, read_recording
from vibeorder.speed.clocks import speed_beside
from vibeorder.speed.logged import read_speed_log
from vibeorder.vehicle import Vehicle, parse_vehicle

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
ROAD = "redistributable/road_drive_accel.csv"
ROAD_SPEED = "redistributable/road_drive_wheel_speed.csv"
BUS, SMALL = "measuring-only/bus", "measuring-only/small_car"
WHEELS, CAR50 = "measuring-only/car_wheel_sensors", "measuring-only/car_50hz"

DIAMETER_M = 0.72
ROLLING = 3.05
"""Rolling circumference over outside diameter (ETRTO convention, value from memory)."""

STRENGTHS_MPS2 = (0.1, 0.15, 0.3)
TURNS_MORE = 0.016
"""How much faster the wheels of that minute turn than ROLLING diameters let expect: its own wheel lines, 0.07 m/s^2 at
1x and 2x, stand there with a standard error of 0.2%. An order added elsewhere would contradict them."""

BLAMED_FROM = 0.5


@dataclass(frozen=True, slots=True)
class Real:
    """One recording to read. states: what PROVENANCE.md says, in short. rate_hz: the true one, where stated.

    rate_told: given by hand, since the file has no time column.
    """

    name: str
    states: str
    rate_hz: float | None = None
    rate_told: bool = False


@dataclass(frozen=True, slots=True)
class Drive:
    """One drive to judge. log: a second device's speed; own_clock: it shares the recording's clock.

    unit, column: of the log, where it does not say. states: what its provenance says; assumed: what it does not.
    """

    name: str
    states: str
    assumed: str
    vehicle: dict[str, object]
    log: str | None = None
    column: str | None = None
    unit: str | None = None
    own_clock: bool = False
    without_speed: bool = False


@dataclass(frozen=True, slots=True)
class Added:
    """An order added to the real minute: the part, its order, its turns per wheel turn, the gear told, if any."""

    part: str
    order: float
    multiple: float
    pretended: str
    gear: int | None = None


RECORDINGS = (
    Real(ROAD, "compact utility vehicle in traffic, 104.4 Hz", 104.4),
    Real("redistributable/phone_zip_zyx", "on foot, one file a sensor, z y x"),
    *(Real(f"redistributable/fan_with_weights/layout{i}.csv", "a fan, no time column", 50.0, True) for i in (1, 2, 3)),
    Real(f"{BUS}/phone_said_200hz.txt", "bus, labelled 200 Hz, gives 51 Hz", 51.0),
    Real(f"{BUS}/idle_six_cylinder_500hz.csv", "idling bus, no time column", 500.0, True),
    Real(f"{BUS}/stop_and_go_500hz.csv", "bus with stops, no time column", 500.0, True),
    Real(f"{BUS}/electric_500hz.csv", "electric bus, no time column", 500.0, True),
    Real(f"{SMALL}/sparse_speed.csv", "small car, stamps in bursts, 200 Hz", 200.0),
    Real(f"{SMALL}/screen_off_gap.csv", "gap of 1530 s, true rate 200 Hz", 200.0),
    *(Real(f"{WHEELS}/trial06_{s}.csv", "on body and wheels, 120.005 Hz", 120.005) for s in ("CAR", "IMU3", "IMU4")),
    Real(f"{WHEELS}/wild_values.csv", "three rows with values like 1e31", 120.005),
    Real(f"{CAR50}/drive_216s.csv", "car, 50 Hz", 50.0),
    Real(f"{CAR50}/motorbike.csv", "motorbike, 51 Hz", 51.0),
    *(
        Real(f"measuring-only/rig_{what}_1khz.csv", "rig, decimated to 1 kHz", 1000.0)
        for what in ("1800rpm_balanced", "1800rpm_heavy_unbalance", "2400rpm_bent_shaft", "3000rpm_heavy_unbalance")
    ),
    Real("measuring-only/rig_raw_semicolon_no_header.csv", "ragged, no header, exponent times"),
    *(
        Real(f"measuring-only/rotor_with_mark/{state}_weight_{i}.csv", "rotor with mark, 952 Hz", 952.0)
        for state in ("with", "without") for i in range(5)
    ),
    Real("measuring-only/phone_ns_epoch_zyx.csv", "100 Hz, jitter 1.7%", 100.0),
    Real("measuring-only/phone_quoted_exponent.zip", "zip of four, 10 Hz", 10.0),
    Real("measuring-only/phone_datetime_uptime_ns.csv", "moving car, 51 Hz, no units", 51.0),
    Real("measuring-only/layouts/unit_in_header_2hz.csv", "2 Hz, empty cells", 2.0),
    Real("measuring-only/layouts/us_since_last_row_raw_counts.txt", "microseconds since the last row, raw counts"),
    Real("measuring-only/layouts/milliseconds_steps_back.csv", "161 backward steps, one gap"),
    Real("measuring-only/layouts/hash_header_epoch_ms_10hz.csv", "`# timestamp` header, two sets of axes", 10.0),
    Real("measuring-only/layouts/iso_zone_wide_30hz.csv", "ISO stamps, 60 columns", 30.0),
    Real("measuring-only/layouts/quoted_rows_three_columns_named_x.csv", "rows in quotes, columns of one name"),
    Real("measuring-only/layouts/datetime_no_header_text_column.txt", "date and text, no header"),
    Real("measuring-only/layouts/semicolon_no_header_no_time.txt", "bare x;y;z", 100.0, True),
    Real("measuring-only/layouts/json_columns.json", "columns as JSON lists, no time", 50.0, True),
    Real("measuring-only/short_pieces_five_vehicles_50hz.csv", "240 pieces of 1 to 10 s", 50.0, True),
)  # fmt: skip

FRONT_DRIVE: dict[str, object] = {
    "vehicle": {"name": "compact utility vehicle", "layout": "fwd"},
    "tire": {"diameter_mm": 1000.0 * DIAMETER_M},
}
PRETENDED: dict[str, dict[str, object]] = {
    "front drive": FRONT_DRIVE
    | {
        "axle": {"ratio": 3.6},
        "transmission": {"gears": [3.5, 2.0, 1.3, 1.0, 0.75]},
        "engine": {"cylinders": 4},
    },
    "rear drive": FRONT_DRIVE
    | {
        "vehicle": {"name": "pretended rear drive", "layout": "rwd"},
        "axle": {"ratio": 3.73, "independent": True},
        "transmission": {"gears": [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]},
        "engine": {"cylinders": 6},
    },
}
CAR: dict[str, object] = {"vehicle": {"name": "car", "layout": "fwd"}, "tire": {"size": "205/55R16"}}

DRIVES = (
    Drive(
        ROAD, "no line at any wheel order: healthy", "tire 0.72 m", FRONT_DRIVE, ROAD_SPEED, own_clock=True
    ),
    Drive(ROAD, "the same", "the same; no speed told", FRONT_DRIVE, without_speed=True),
    Drive(f"{CAR50}/drive_216s.csv", "no wheel line above 1.6: healthy", "tire 205/55R16", CAR),
    Drive(f"{CAR50}/drive_216s.csv", "the same", "the same; no speed told", CAR, without_speed=True),
    Drive(
        f"{WHEELS}/trial06_CAR.csv", "no stated fault; 2x and 3x of the wheel above its 1x", "tire 205/55R16",
        CAR, f"{WHEELS}/trial06_IMU3.csv", "Gyr_Z", "deg/s", own_clock=True,
    ),
    Drive(
        f"{BUS}/phone_said_200hz.txt", "no stated fault; a real wheel line, 1x at 0.03 to 0.09 m/s^2",
        "usual tire 275/70R22.5",
        {"vehicle": {"name": "city bus", "layout": "rwd"}, "tire": {"size": "275/70R22.5"}},
        f"{BUS}/phone_said_200hz_speed.gpx",
    ),
    Drive(
        f"{SMALL}/sparse_speed.csv", "no line at the wheel: cannot tell, speed too sparse", "front drive",
        CAR | {"tire": {"size": "155/65R14"}}, f"{SMALL}/sparse_speed_log.csv",
    ),
)  # fmt: skip

ADDED = (
    Added("tire_wheel", 1.0, 1.0, "front drive"),
    Added("tire_wheel", 2.0, 2.0, "front drive"),
    Added("half_shaft", 3.0, 3.0, "front drive"),
    Added("engine", 1.0, 3.6 * 1.0, "front drive", 4),
    Added("engine", 2.0, 3.6 * 2.0, "front drive", 4),
    Added("driveshaft", 1.0, 3.73, "rear drive"),
    Added("driveshaft", 2.0, 2 * 3.73, "rear drive"),
    Added("engine", 1.0, 3.73 * 1.27, "rear drive", 5),
)


def readings() -> str:
    """Every recording through the readers."""
    rows = []
    for real in RECORDINGS:
        if not (DATA / real.name).exists():
            rows.append((_short(real.name), real.states, "not on this machine", "", ""))
            continue
        came, right, seconds = _read(real)
        rows.append((_short(real.name), real.states, came, right, f"{seconds:.2f}"))
    return table(("recording", "its provenance says", "what came out", "rate", "seconds"), rows)


def summary() -> str:
    """One sentence on the readers."""
    there = [real for real in RECORDINGS if (DATA / real.name).exists()]
    came = [_read(real)[1] for real in there]
    stated = came.count("right") + came.count("wrong")
    return (
        f"{len(there)} recordings through the readers (`--only readings` lists them): {came.count('told')} have no "
        f"time column and were told their rate; of {stated} whose true rate is stated, {came.count('right')} came "
        "out within 1.2% of it, as far as the statements are rounded."
    )


def _read(real: Real) -> tuple[str, str, float]:
    options = ReadOptions(rate_hz=real.rate_hz) if real.rate_told else ReadOptions()
    began = time.perf_counter()
    try:
        got = read_recording(DATA / real.name, options)
    except VibeorderError as error:
        return str(error), "wrong", time.perf_counter() - began
    seconds = time.perf_counter() - began
    present = 100.0 * float(got.valid.mean())
    came = f"{got.samples.shape[0]} axes, {got.rate_hz:.5g} Hz, {got.unit}, {got.duration_s:.0f} s"
    if present < 99.5:
        came += f", {present:.0f}% present"
    if real.rate_hz is None or real.rate_told:
        return came, "not stated" if real.rate_hz is None else "told", seconds
    # provenances round to two or three figures
    agrees = abs(got.rate_hz / real.rate_hz - 1.0) < 0.012
    return came, "right" if agrees else "wrong", seconds


def drives() -> str:
    """Every drive through the diagnosis."""
    rows = []
    for drive in DRIVES:
        if not (DATA / drive.name).exists():
            rows.append(
                (_short(drive.name), drive.states, drive.assumed, "not on this machine", "", "", "", "")
            )
            continue
        began = time.perf_counter()
        try:
            found, said = _judged(drive)
        except VibeorderError as error:
            rows.append((_short(drive.name), drive.states, drive.assumed, "", str(error), "", "refused", ""))
            continue
        rows.append(
            (
                _short(drive.name),
                drive.states,
                drive.assumed,
                said,
                _first(found),
                f"{found.nothing_found_probability:.2f}",
                "wrongly" if _blames(found) else "no",
                f"{time.perf_counter() - began:.1f}",
            )
        )
    heads = (
        "drive",
        "its provenance says",
        "assumed",
        "speed",
        "first suspect",
        "P(nothing)",
        "a part blamed",
        "seconds",
    )
    return table(heads, rows)


def _judged(drive: Drive) -> tuple[Diagnosis, str]:
    recording = read_recording(DATA / drive.name)
    vehicle = parse_vehicle(drive.vehicle)
    if drive.without_speed:
        return diagnose(replace(recording, speed=None), vehicle), "none told"
    if drive.log is None:
        return diagnose(recording, vehicle), "in the file"
    log = read_speed_log(DATA / drive.log, drive.column, drive.unit)
    if drive.own_clock:
        trace, _ = speed_beside(log, recording, vehicle, 0.0)
        return diagnose(recording, vehicle, speed=trace), "one clock"
    trace, said = speed_beside(log, recording, vehicle)
    return diagnose(recording, vehicle, speed=trace), said.split(": ", 1)[-1].split(";")[0]


def _blames(found: Diagnosis) -> bool:
    return found.runout_check.warranted or _group(found)[1] > BLAMED_FROM


def _group(found: Diagnosis) -> tuple[set[tuple[str, float]], float]:
    """The first suspect with those it is said to be indistinct from, and their shared probability."""
    top = found.suspects[0]
    keys = {(top.part, top.order), *top.indistinct_from}
    return keys, sum(s.probability for s in found.suspects if (s.part, s.order) in keys)


def _first(found: Diagnosis) -> str:
    top = found.suspects[0]
    return f"{top.part} {top.order:g}x, {top.probability:.2f}"


def added(draws: int) -> str:
    """The healthy minute with an order added in a random direction, at each strength."""
    recording = read_recording(DATA / ROAD)
    speed = replace(read_speed_log(DATA / ROAD_SPEED), lag_s=0.0)
    vehicles = {name: parse_vehicle(words) for name, words in PRETENDED.items()}
    rows = []
    for number, case in enumerate(ADDED):
        cells = []
        for strength in STRENGTHS_MPS2:
            rng = np.random.default_rng([number, round(1000 * strength)])
            cells.append(_tried(case, strength, recording, speed, vehicles[case.pretended], draws, rng))
        gear = "" if case.gear is None else f", gear {case.gear} told"
        rows.append((f"{case.part} {case.order:g}x", f"{case.pretended}{gear}", *cells))
    heads = ("order added", "vehicle pretended", *(f"{s:g} m/s^2: named" for s in STRENGTHS_MPS2))
    return table(heads, rows)


def _tried(
    case: Added,
    strength: float,
    recording: Recording,
    speed: Trace,
    vehicle: Vehicle,
    draws: int,
    rng: np.random.Generator,
) -> str:
    hits, given = 0, 0.0
    instead: dict[str, None] = {}
    for _ in range(draws):
        shaken = with_order(recording, speed, case.multiple, strength, rng)
        found = diagnose(shaken, vehicle, speed=speed, gear=case.gear)
        keys, p = _group(found)
        nothing = found.nothing_found_probability
        if (case.part, case.order) in keys and p > nothing:
            hits, given = hits + 1, given + p
        else:
            top = found.suspects[0]
            instead["nothing" if nothing >= p else f"{top.part} {top.order:g}x"] = None
    mean = f", P {given / hits:.2f}" if hits else ""
    return f"{hits} of {draws}{mean}" + (f"; else {', '.join(instead)}" if instead else "")


def with_order(
    recording: Recording, speed: Trace, per_wheel: float, rms_mps2: float, rng: np.random.Generator
) -> Recording:
    """A line of vector rms `rms_mps2` that keeps step with the wheels, in one random direction."""
    times = recording.start_s + np.arange(recording.samples.shape[1]) / recording.rate_hz
    rolling_m = DIAMETER_M * ROLLING / (1.0 + TURNS_MORE)
    wheel_hz = np.asarray(np.interp(times, speed.times_s, speed.values) / rolling_m, float)
    turns = np.concatenate([[0.0], np.cumsum(0.5 * (wheel_hz[1:] + wheel_hz[:-1])) / recording.rate_hz])
    way = rng.normal(size=recording.samples.shape[0])
    direction = np.asarray(way / np.linalg.norm(way), float)
    line = np.sqrt(2.0) * rms_mps2 * np.cos(2.0 * np.pi * (per_wheel * turns + rng.random()))
    samples = np.where(recording.valid, recording.samples + direction[:, None] * line, 0.0)
    return replace(recording, samples=samples)


def _short(name: str) -> str:
    return name.split("/", 1)[1]


def main(arguments: Sequence[str] | None = None) -> None:
    """Parse the words, run, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--draws", type=int, default=3, help="of each added order at each strength")
    words.add_argument("--only", choices=["readings", "drives", "added", "turning"], help="one of the tables")
    words.add_argument("--write", type=Path, help="put the tables between the marks of this page")
    given = words.parse_args(arguments)
    if not DATA.is_dir():
        print("skipped: the real recordings (../shared/data beside the checkout) are not on this machine")
        return
    parts: dict[str, tuple[str, Callable[[], str]]] = {
        "drives": ("Drives, none with a stated fault:", drives),
        "added": (
            "An order added to the compact utility vehicle's healthy minute (104 Hz; an engine order above 52 Hz "
            f"folds), {given.draws} draws each:",
            lambda: added(given.draws),
        ),
        "turning": ("Outside a vehicle, a part turning at a known rate:", turning_table),
        "summary": ("Readers:", summary),
        "readings": ("Every recording through the readers:", readings),
    }
    chosen = [given.only] if given.only else ["drives", "added", "turning", "summary"]
    text = "\n\n".join(f"{parts[name][0]}\n\n{parts[name][1]()}" for name in chosen)
    publish(text, given.write, "real")


if __name__ == "__main__":
    main()
