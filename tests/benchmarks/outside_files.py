"""Files as users have them: logs with any names, separators, clocks and units, zips, speed logs, and what is said.

Every writer returns the options that a user would have to type besides, e.g. --unit where the file proves none.
"""

import io
import zipfile
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from outside_drives import Drive
from outside_phones import Logged, Phone, Track

__all__ = ["Said", "said_range", "said_speed", "write_log", "write_speed_log"]

Floats = NDArray[np.float64]
BEGAN = datetime(2024, 5, 14, 9, 26, 53, 125000, tzinfo=UTC)
MPH, KMH, KNOT = 0.44704, 1 / 3.6, 0.514444
SPEED_UNITS = {"m/s": 1.0, "km/h": KMH, "mph": MPH, "knots": KNOT}
TIME_NAMES = {
    "s": ["time (s)", "t", "seconds_elapsed", "Time[s]"],
    "ms": ["time_ms", "t (ms)", "millis", "timestamp"],
    "us": ["time_us", "timestamp (us)"],
    "ns": ["timestamp_ns", "uptime_ns"],
    "epoch s": ["time", "unix_time", "timestamp"],
    "epoch ms": ["timestamp", "time (ms)", "epoch_ms"],
    "epoch ns": ["time", "timestamp"],
    "iso": ["datetime", "time", "date_time"],
}


@dataclass(frozen=True, slots=True)
class Said:
    """Files written, and the words a user types behind `vibeorder diagnose RECORDING --vehicle FILE`."""

    recording: Path
    options: list[str]
    form: str


def _clock(stamp_s: Floats, kind: str, began: datetime) -> list[str]:
    """Stamps in one of the kinds of TIME_NAMES."""
    since = began.timestamp()
    if kind == "s":
        return [f"{t:.4f}" for t in stamp_s]
    if kind in ("ms", "us", "ns"):
        start, factor, digits = {
            "ms": (0, 1e3, 1),
            "us": (81_234_567, 1e6, 0),
            "ns": (95_123_456_789_012, 1e9, 0),
        }[kind]
        return [f"{start + t * factor:.{digits}f}" for t in stamp_s]
    if kind == "epoch s":
        return [f"{since + t:.4f}" for t in stamp_s]
    if kind == "epoch ms":
        return [f"{since * 1e3 + t * 1e3:.0f}" for t in stamp_s]
    if kind == "epoch ns":
        return [f"{round(since * 1e3) * 10**6 + round(t * 1e9)}" for t in stamp_s]
    return [
        (began + timedelta(seconds=float(t))).isoformat(timespec="microseconds").replace("+00:00", "Z")
        for t in stamp_s
    ]


def _axis_names(phone: Phone, rng: np.random.Generator) -> tuple[list[str], bool]:
    """Names of the axes, and whether they say the unit."""
    plain = {"m/s^2": "m/s^2", "g": "g", "mg": "mg"}[phone.unit]
    forms = [
        ([f"a{k} ({plain})" for k in "xyz"], True),
        ([f"acc_{k}_{plain.replace('/', '').replace('^', '')}" for k in "xyz"], phone.unit != "m/s^2"),
        ([f"accel {k} [{plain}]" for k in "XYZ"], True),
        (list("xyz"), False),
        (["AccX", "AccY", "AccZ"], False),
        (["z", "y", "x"], False),
    ]
    names, says = forms[int(rng.integers(len(forms)))]
    return names, says


def _speed_cells(track: Track, stamps: Floats, unit: str, rng: np.random.Generator) -> list[str]:
    """A speed column: a cell once a fix, or the last fix in every row; no fix is empty or -1."""
    none = str(rng.choice(["", "", "-1"]))
    texts = [none if np.isnan(v) else f"{v / SPEED_UNITS[unit]:.2f}" for v in track.speed_mps]
    last = np.searchsorted(track.stamp_s, stamps, side="right") - 1
    if rng.random() < 0.5:
        return [texts[i] if i >= 0 else none for i in last]
    fresh = np.diff(last, prepend=-1) > 0
    return [texts[i] if new and i >= 0 else "" for i, new in zip(last, fresh, strict=True)]


def _needs_unit(phone: Phone, says: bool) -> list[str]:
    return [] if says or phone.gravity else ["--unit", phone.unit]


def write_log(
    folder: Path, logged: Logged, phone: Phone, track: Track | None, rng: np.random.Generator
) -> Said:
    """The accelerometer log, with a speed of its own where `track` is given: one table, or a zip of tables."""
    form = str(rng.choice(["comma", "semicolon", "tab", "zip", "bare"], p=[0.4, 0.2, 0.08, 0.24, 0.08]))
    if form == "bare" and (
        track is not None or not phone.gravity or phone.clock != "true" or phone.drop or phone.gap_s
    ):
        form = "comma"
    names, says = _axis_names(phone, rng)
    axes = logged.axes[:, ::-1] if names[0] == "z" else logged.axes
    if form == "bare":
        path = folder / "log.txt"
        rows = [" ".join(f"{v:.6g}" for v in row) for row in axes]
        path.write_text("\n".join(rows) + "\n")
        return Said(path, ["--rate", f"{phone.rate_hz:.4g} Hz"], form)
    if form == "zip":
        return _write_zip(folder, logged, axes, names, phone, track, rng, _needs_unit(phone, says))
    kind = str(rng.choice(list(TIME_NAMES)))
    heads = [str(rng.choice(TIME_NAMES[kind])), *names]
    digits = {"m/s^2": 4, "g": 5, "mg": 1}[phone.unit]
    columns = [
        _clock(logged.stamp_s, kind, BEGAN),
        *[[f"{v:.{digits}f}" for v in axes[:, i]] for i in range(3)],
    ]
    options = _needs_unit(phone, says)
    if track is not None:
        unit, head, more = _speed_head(rng)
        heads.append(head)
        options += more
        columns.append(_speed_cells(track, logged.stamp_s, unit, rng))
    if rng.random() < 0.25:
        heads += ["gyro_x (rad/s)", "gyro_y (rad/s)", "gyro_z (rad/s)"]
        columns += [[f"{v:.4f}" for v in 0.02 * rng.standard_normal(len(axes))] for _ in range(3)]
    text = _table(heads, columns, form)
    if rng.random() < 0.25:
        text = "# road test\n# phone on the floor, screen on\n" + text
    path = folder / ("log.csv" if form != "tab" else "log.txt")
    path.write_text(text)
    return Said(path, options, form)


def _speed_head(rng: np.random.Generator) -> tuple[str, str, list[str]]:
    """Unit of a speed column, its name, and what must be typed besides: nothing, since names or numbers tell."""
    forms = [
        ("m/s", "gps speed (m/s)"),
        ("m/s", "speed"),
        ("km/h", "speed_kmh"),
        ("km/h", "speed (km/h)"),
        ("mph", "Speed (mph)"),
        ("knots", "speed (knots)"),
    ]
    unit, name = forms[int(rng.integers(len(forms)))]
    return unit, name, (["--speed-unit", unit] if name == "speed" and rng.random() < 0.5 else [])


def _table(heads: list[str], columns: list[list[str]], form: str) -> str:
    if form == "semicolon":
        columns = [
            [cell.replace(".", ",") if ":" not in cell else cell for cell in column] for column in columns
        ]
    mark = {"comma": ",", "semicolon": ";", "tab": "\t"}[form]
    return "\n".join([mark.join(heads), *(mark.join(row) for row in zip(*columns, strict=True))]) + "\n"


def _write_zip(
    folder: Path, logged: Logged, axes: Floats, names: list[str], phone: Phone, track: Track | None,
    rng: np.random.Generator, options: list[str],
) -> Said:  # fmt: skip
    """A zip with a table per sensor; stamps are absolute or since the start, the same in both."""
    kind = str(rng.choice(["s", "epoch ns", "epoch ms", "iso"]))
    head = str(rng.choice(TIME_NAMES[kind]))
    digits = {"m/s^2": 4, "g": 5, "mg": 1}[phone.unit]
    files = {
        "acceleration.csv": _table(
            [head, *names],
            [
                _clock(logged.stamp_s, kind, BEGAN),
                *[[f"{v:.{digits}f}" for v in axes[:, i]] for i in range(3)],
            ],
            "comma",
        )
    }
    if track is not None:
        unit = str(rng.choice(["m/s", "km/h"]))
        speed = ["" if np.isnan(v) else f"{v / SPEED_UNITS[unit]:.3f}" for v in track.speed_mps]
        heads = [head, f"speed ({unit})", "accuracy (m)"]
        files["location.csv"] = _table(
            heads, [_clock(track.stamp_s, kind, BEGAN), speed, ["4.0"] * len(speed)], "comma"
        )
    if rng.random() < 0.5:
        some = logged.stamp_s[::4]
        spins = [[f"{v:.4f}" for v in 0.02 * rng.standard_normal(len(some))] for _ in range(3)]
        files["gyroscope.csv"] = _table(
            [head, "x (rad/s)", "y (rad/s)", "z (rad/s)"], [_clock(some, kind, BEGAN), *spins], "comma"
        )
    path = folder / "log.zip"
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as pack:
        for name, text in files.items():
            pack.writestr(name, text)
    path.write_bytes(buffer.getvalue())
    return Said(path, options, "zip")


def write_speed_log(folder: Path, track: Track, drive: Drive, rng: np.random.Generator) -> list[str]:
    """Speed in a file of its own, begun up to 12 s earlier than the recording: a table, or a GPX track."""
    early = float(rng.uniform(0, 12)) if rng.random() < 0.7 else 0.0
    lead = np.arange(-early, track.stamp_s[0] - 0.5, 1.0)
    stamps = np.concatenate([lead, track.stamp_s])
    speed = np.concatenate(
        [np.full(len(lead), drive.speed_mps[0]) + 0.1 * rng.standard_normal(len(lead)), track.speed_mps]
    )
    fixed = ~np.isnan(speed)
    stamps, speed = stamps[fixed] + early, np.maximum(speed[fixed], 0)
    if rng.random() < 0.5:
        unit = str(rng.choice(["m/s", "km/h", "mph"]))
        path = folder / "speed.csv"
        path.write_text(
            _table(
                ["time (s)", f"speed ({unit})"],
                [[f"{t:.2f}" for t in stamps], [f"{v / SPEED_UNITS[unit]:.2f}" for v in speed]],
                "comma",
            )
        )
        return ["--speed-log", str(path)]
    path = folder / "track.gpx"
    north = np.concatenate([[0.0], np.cumsum(np.diff(stamps) * (speed[1:] + speed[:-1]) / 2)])
    began = BEGAN - timedelta(
        seconds=early + float(rng.uniform(-1.5, 1.5))
    )  # two clocks seldom agree to the second
    points = [
        f'<trkpt lat="{48 + n / 111_200:.8f}" lon="11.0"><time>{text}</time><speed>{v:.2f}</speed></trkpt>'
        for text, n, v in zip(_clock(stamps, "iso", began), north, speed, strict=True)
    ]
    body = "\n".join(points)
    path.write_text(
        f'<?xml version="1.0"?><gpx version="1.0" creator="logger"><trk><trkseg>\n{body}\n</trkseg></trk></gpx>\n'
    )
    return ["--speed-log", str(path)]


def said_speed(drive: Drive, rng: np.random.Generator) -> list[str]:
    """What the dash showed, 0 to 4% high, as people say it."""
    shown = float(np.median(drive.speed_mps)) * (1 + rng.uniform(0, 0.04))
    unit = str(rng.choice(["mph", "km/h"]))
    about = "about " if rng.random() < 0.3 else ""
    return ["--speed", f"{about}{shown / SPEED_UNITS[unit]:.0f} {unit}"]


def said_range(drive: Drive, rng: np.random.Generator) -> list[str]:
    """The range that the dash went through, rounded outward as people do."""
    unit = str(rng.choice(["mph", "km/h"]))
    high = float(drive.speed_mps.max()) * (1 + rng.uniform(0, 0.04)) / SPEED_UNITS[unit]
    low = float(drive.speed_mps.min()) * (1 + rng.uniform(0, 0.04)) / SPEED_UNITS[unit]
    low_text = int(low // 5 * 5)
    if low_text < 5:
        return ["--speed", f"from rest to {int(-(-high // 5) * 5)} {unit}"]
    return ["--speed", f"{low_text}-{int(-(-high // 5) * 5)} {unit}"]
