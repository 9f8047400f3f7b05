"""What turns outside a vehicle, on real recordings: the table of `real_drives.py` beside its drives.

Every row: what the provenance says, what came out, and whether that is within what is asked for.
"""

import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from common import table

from vibeorder.recording import ReadOptions, Recording, read_recording
from vibeorder.spectrum import OrderRow, turning_orders

__all__ = ["turning_table"]

DATA = Path(__file__).resolve().parents[2].parent / "shared" / "data"
IDLING = "measuring-only/bus/idle_six_cylinder_500hz.csv"
TOLD_RPM, TRUE_RPM, RPM_WITHIN = (635.0, 650.0, 665.0), 649.0, 2.0
NAMED = (1.0, 1.5, 3.0, 6.0)
TIMES_LESS, PHASE_WITHIN_DEG, SAME_RATE = 3.0, 15.0, 0.02
FIXED_HZ = (15.1, 15.35)
FAN = {35: 7.0, 50: 8.5, 60: 9.6, 75: 11.8, 90: 14.3}
"""Setting in percent, and the rate that goes with it in Hz (provenance)."""

Row = tuple[str, str, str, bool]


def turning_table() -> str:
    """The table; a file that is not on this machine says so."""
    rows = []
    for make in (_idling, _balanced, _phase, _fan):
        began = time.perf_counter()
        try:
            made = list(make())
        except FileNotFoundError:
            rows.append((make.__name__.strip("_"), "", "not on this machine", "", ""))
            continue
        seconds = (time.perf_counter() - began) / len(made)
        rows += [
            (name, says, came, "right" if right else "wrong", f"{seconds:.1f}")
            for name, says, came, right in made
        ]
    return table(("what turns", "its provenance says", "what came out", "", "seconds"), rows)


def _idling() -> Iterator[Row]:
    engine = _read(IDLING, ReadOptions(rate_hz=500.0))
    for told in TOLD_RPM:
        found = turning_orders(engine.samples, engine.valid, engine.rate_hz, turn_rate_hz=told / 60.0)
        rpm = found.rate_hz * 60.0
        named = [one.order for one in found.lines if one.order is not None]
        yield (
            f"idling six, told {told:g} rpm",
            f"{TRUE_RPM:g} rpm; lines 1x, 1.5x, 3x, 6x",
            f"{rpm:.1f} rpm; lines {', '.join(f'{order:g}x' for order in sorted(named))}",
            abs(rpm - TRUE_RPM) < RPM_WITHIN and set(NAMED) <= set(named),
        )


def _rotor(name: str) -> tuple[float, OrderRow]:
    """Rate and first order of one run of the rotor with a mark."""
    one = _read(f"measuring-only/rotor_with_mark/{name}.csv", ReadOptions())
    marks = one.mark_times_s
    assert marks is not None
    found = turning_orders(one.samples, one.valid, one.rate_hz, mark_times_s=marks - one.start_s)
    return found.rate_hz, next(row for row in found.orders if row.order == 1.0)


def _balanced() -> Iterator[Row]:
    bare, weighed = ([_rotor(f"{state}_weight_{i}") for i in range(5)] for state in ("without", "with"))
    times = [
        a.amplitude / b.amplitude
        for rate, a in bare
        for other, b in weighed
        if abs(other / rate - 1.0) < SAME_RATE
    ]
    yield (
        "rotor without its balancing weight, and with it",
        "1x 0.0083 to 0.0112 g, and 0.0007 to 0.0024 g",
        f"{min(times):.1f} to {max(times):.1f} times as strong, {len(times)} pairs at one rate",
        min(times) > TIMES_LESS,
    )


def _phase() -> Iterator[Row]:
    runs = [_rotor(f"without_weight_{i}") for i in range(5)]
    phases = [row.phases_deg[0] for rate, row in runs if rate < 55.0]
    yield (
        "the same rotor's phase, run to run, 50 to 53 Hz",
        "-21 to -28 degrees from the sample after the edge",
        f"{len(phases)} runs within {np.ptp(phases):.1f} degrees",
        bool(np.ptp(phases) < PHASE_WITHIN_DEG),
    )


def _fan() -> Iterator[Row]:
    for layout, what in ((1, "weights side by side"), (3, "weights opposite each other")):
        name = f"redistributable/fan_with_weights/layout{layout}.csv"
        fan = _read(name, ReadOptions(rate_hz=50.0, axes=("x", "y", "z")))
        setting = np.loadtxt(DATA / name, delimiter=",", skiprows=1, usecols=1)
        seen, taken = 0, 0
        for percent, turn_hz in FAN.items():
            now = np.flatnonzero(setting == percent)
            part = slice(int(now[0]), int(now[-1]) + 1)
            found = turning_orders(fan.samples[:, part], fan.valid[part], fan.rate_hz, turn_rate_hz=turn_hz)
            fixed = [one for one in found.lines if FIXED_HZ[0] < one.line.frequency_hz < FIXED_HZ[1]]
            seen, taken = seen + bool(fixed), taken + any(one.order is not None for one in fixed)
        yield (
            f"fan, {what}, five speeds",
            "the stand's own line at 15.2 Hz at any speed",
            f"that line stands at {seen} speeds, taken for an order at {taken}",
            taken == 0,
        )


def _read(name: str, options: ReadOptions) -> Recording:
    if not (DATA / name).exists():
        raise FileNotFoundError(name)
    return read_recording(DATA / name, options)
