"""How long `vibeorder diagnose` takes, start-up included and apart, and how much memory, beside the least it costs.

    python tests/benchmarks/speed.py [--long] [--repeat 3] [--write docs/accuracy.md]

The files come from the simulator: a minute of an invented truck, laid end to end (a log of three axes at 400 Hz
with a GPS column, the same without it, a 48 kHz mono WAV of 16 bits). Each run is a process of its own; seconds
are the best of --repeat, memory is that of the process with all that it starts, what they share counted once. The
floor, likewise: a process that reads the file with pandas' C parser or soundfile and takes one scipy.fft.rfft of
every channel. Start-up: the same processes up to the first byte read. The profile: seconds of one process by stage.
All modules are compiled beforehand, as an installation leaves them.
"""

import argparse
import compileall
import json
import os
import subprocess
import sys
import tempfile
import tomllib
from collections.abc import Sequence
from contextlib import redirect_stdout
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from common import publish, table
from numpy.typing import NDArray

import vibeorder
from vibeorder.simulate import Drive, Fault, RoadTest, Scenario, road_test
from vibeorder.units import MPH_MPS
from vibeorder.vehicle import parse_vehicle

FloatArray = NDArray[np.float64]

LOG_RATE_HZ, SOUND_RATE_HZ = 400.0, 48_000.0
LENGTHS_S = {"30 s": 30, "10 min": 600}
LONG_S = {"3 h": 10_800}
TILE_S = 60.0
TRUCK = """[vehicle]
name = "invented truck"
layout = "rwd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.73
[transmission]
gears = [4.62, 3.02, 2.06, 1.63, 1.27, 1.00, 0.83, 0.66]
[engine]
cylinders = 8
"""
START = """
import vibeorder.cli, vibeorder.diagnosis, vibeorder.recording, vibeorder.report, vibeorder.vehicle
import {}
"""
"""What `diagnose` imports before it reads."""

FLOOR_LOG = """
import sys, pandas, scipy.fft
samples = pandas.read_csv(sys.argv[1], engine="c").to_numpy()
scipy.fft.rfft(samples[:, 1:4], axis=0)
"""
FLOOR_SOUND = """
import sys, soundfile, scipy.fft
samples, rate = soundfile.read(sys.argv[1])
scipy.fft.rfft(samples, axis=0)
"""
RUNNER = """
import json, os, subprocess, sys, threading, time

def family(pid):
    yield pid
    with open(f"/proc/{pid}/task/{pid}/children") as file:
        for child in file.read().split():
            yield from family(int(child))

def shares(pid):
    with open(f"/proc/{pid}/smaps_rollup") as file:
        return sum(int(line.split()[1]) for line in file if line.startswith("Pss:")) / 1024

def watch(pid, peak):
    while not over.wait(0.05):
        try:
            peak[0] = max(peak[0], sum(shares(one) for one in family(pid)))
        except OSError:
            continue

over, peak = threading.Event(), [0.0]
began = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.DEVNULL)
if sys.platform == "linux":
    threading.Thread(target=watch, args=(child.pid, peak), daemon=True).start()
_, status, used = os.wait4(child.pid, 0)
seconds = time.perf_counter() - began
over.set()
child.returncode = os.waitstatus_to_exitcode(status)
print(json.dumps([seconds, max(peak[0], used.ru_maxrss / 1024)]))
sys.exit(child.returncode)
"""
# A small process between: on Linux the memory of whoever starts a process counts as that process's own peak,
# and this one holds numpy and a minute of sound.
STAGES = {
    "reading": ("recording.reading", "read_recording"),
    "clocks": ("diagnosis.prepare", "_clock"),
    "floor of the noise": ("diagnosis.floor", "floor_of"),
    "every track scanned": ("diagnosis.scan", "scan_tracks"),
    "courses proposed": ("diagnosis.propose", "propose"),
    "courses sharpened": ("diagnosis.sharpening", "sharpened"),
    "lines read along courses": ("diagnosis.lines", "lines"),
    "evidence of every part": ("diagnosis.classes", "class_evidence"),
    "the vehicle's profile": ("diagnosis.wrong_vehicle", "profile_mismatch"),
    "no speed: table of lines": ("diagnosis.ridge", "line_table"),
    "no speed: names followed": ("diagnosis.namings", "namings"),
    "no speed: names weighed": ("diagnosis.weighing", "explain"),
    "report": ("diagnosis.report", "assemble"),
}
"""What a reader would call a stage, and the function that is it: module of vibeorder, name."""


@dataclass(frozen=True, slots=True)
class Cost:
    """Wall clock of the quickest run, and the largest memory of any."""

    seconds: float
    peak_mb: float


@dataclass(frozen=True, slots=True)
class Case:
    """One file to diagnose. words: what else the command is told; reader: the library that reads it."""

    name: str
    path: Path
    words: tuple[str, ...]
    floor: str
    reader: str


def cases(folder: Path, lengths: dict[str, int]) -> list[Case]:
    """Write the files. The longest WAV is about a gigabyte."""
    sweep = Drive("sweep", (45 * MPH_MPS, 65 * MPH_MPS, 45 * MPH_MPS))
    log = _simulated(sweep, "acceleration", LOG_RATE_HZ)
    sound = _simulated(Drive("steady", (60 * MPH_MPS,)), "audio", SOUND_RATE_HZ)
    made = []
    for name, seconds in lengths.items():
        logged = folder / f"log_{seconds}.csv"
        bare = folder / f"bare_{seconds}.csv"
        heard = folder / f"sound_{seconds}.wav"
        write_log(log, logged, seconds, gps=True)
        write_log(log, bare, seconds, gps=False)
        write_sound(sound, heard, seconds)
        made += [
            Case(f"{name} log, 400 Hz, three axes, GPS", logged, (), FLOOR_LOG, "pandas"),
            Case(f"{name} log, 400 Hz, three axes, no speed", bare, (), FLOOR_LOG, "pandas"),
            Case(
                f"{name} WAV, 48 kHz mono, speed given",
                heard,
                ("--speed", "60 mph"),
                FLOOR_SOUND,
                "soundfile",
            ),
        ]
    return made


def _simulated(drive: Drive, sensor: str, rate_hz: float) -> RoadTest:
    scenario = Scenario(
        drive,
        duration_s=TILE_S,
        rate_hz=rate_hz,
        sensor="audio" if sensor == "audio" else "acceleration",
        faults=(Fault("driveshaft", 1.0, 0.25),),
    )
    return road_test(parse_vehicle(tomllib.loads(TRUCK)), scenario, np.random.default_rng(1))


def write_log(test: RoadTest, path: Path, seconds: int, gps: bool) -> None:
    """The minute laid end to end as delimited text, as a phone writes it."""
    speed = np.full(test.times_s.size, "", dtype=object)
    if test.gps is not None:
        rows = np.searchsorted(test.times_s, test.gps.times_s)
        inside = rows < speed.size
        speed[rows[inside]] = [f"{v:.2f}" for v in test.gps.speed_mps[inside]]
    tails = [f"{x:.2f},{y:.2f},{z:.2f}" for x, y, z in test.samples.T]
    if gps:
        tails = [f"{tail},{v}" for tail, v in zip(tails, speed, strict=True)]
    with path.open("w", encoding="utf-8", newline="\n") as file:
        file.write("time (s),ax (m/s^2),ay (m/s^2),az (m/s^2)" + (",gps speed (m/s)" if gps else "") + "\n")
        for tile in range(-(-seconds // int(TILE_S))):
            times = test.times_s + tile * TILE_S
            keep = times < seconds
            file.writelines(f"{t:.4f},{tail}\n" for t, tail, k in zip(times, tails, keep, strict=True) if k)


def write_sound(test: RoadTest, path: Path, seconds: int) -> None:
    """The minute laid end to end as a 16-bit WAV."""
    import soundfile

    rate = int(SOUND_RATE_HZ)
    with soundfile.SoundFile(path, "w", rate, 1, subtype="PCM_16") as file:
        left = seconds * rate
        while left > 0:
            piece = test.samples[0, : min(left, test.samples.shape[1])]
            file.write(piece)
            left -= piece.size


def cost_of(words: Sequence[str], repeat: int) -> Cost:
    """Run a command `repeat` times to its end; raises SystemExit with what it said where it fails."""
    runs = []
    for _ in range(repeat):
        done = subprocess.run([sys.executable, "-S", "-c", RUNNER, *words], capture_output=True, text=True)
        if done.returncode != 0:
            raise SystemExit(f"{' '.join(words)}: {done.stderr}")
        runs.append(json.loads(done.stdout))
    return Cost(min(seconds for seconds, _ in runs), max(peak for _, peak in runs))


def measured(made: Sequence[Case], vehicle: Path, repeat: int) -> str:
    """The table."""
    program = [sys.executable, "-m", "vibeorder.cli"]
    rows = []
    for case in made:
        floor = cost_of([sys.executable, "-c", case.floor, str(case.path)], repeat)
        whole = cost_of(
            [*program, "diagnose", str(case.path), "--vehicle", str(vehicle), *case.words], repeat
        )
        rows.append(
            (
                case.name,
                f"{case.path.stat().st_size / 1e6:.0f} MB",
                f"{whole.seconds:.2f}",
                f"{floor.seconds:.2f}",
                f"{whole.seconds / floor.seconds:.1f}",
                f"{whole.peak_mb:.0f}",
                f"{floor.peak_mb:.0f}",
            )
        )
        print(rows[-1], file=sys.stderr)
    heads = ("recording", "file", "seconds", "floor, seconds", "ratio", "peak MB", "floor, peak MB")
    machine = f"{os.cpu_count()} processors, Python {sys.version.split()[0]}"
    return f"{table(heads, rows)}\n\n{machine}; load average before the first run {LOAD_BEFORE:.1f}."


def started(made: Sequence[Case], repeat: int) -> str:
    """What comes before the first byte is read, ours and the floor's."""
    python = [sys.executable, "-c"]
    rows = [("`vibeorder --help`", *_start([sys.executable, "-m", "vibeorder.cli", "--help"], repeat), "")]
    for reader in dict.fromkeys(case.reader for case in made):
        ours = _start([*python, START.format(reader)], repeat)
        floor = cost_of([*python, f"import sys, {reader}, scipy.fft"], repeat)
        rows.append((f"all that reads with {reader}", *ours, f"{floor.seconds:.2f}"))
    return table(("start-up", "seconds", "peak MB", "floor, seconds"), rows)


def _start(words: Sequence[str], repeat: int) -> tuple[str, str]:
    cost = cost_of(words, max(repeat, 3))
    return f"{cost.seconds:.2f}", f"{cost.peak_mb:.0f}"


def profiled(made: Sequence[Case], vehicle: Path) -> str:
    """Seconds of every stage, in one process with the profiler on, which itself costs about half as much again."""
    import cProfile
    import pstats

    from vibeorder.cli import main as program
    from vibeorder.diagnosis import parallel
    from vibeorder.recording import ahead

    columns = []
    parallel.MOST_PROCESSES, ahead.LONGEST_BYTES = 1, 0
    for case in made:
        watch = cProfile.Profile()
        words = ["diagnose", str(case.path), "--vehicle", str(vehicle), *case.words]
        with Path(os.devnull).open("w") as nowhere, redirect_stdout(nowhere):
            watch.runcall(program, words)
        seconds: dict[str, float] = {}
        for (file, _, name), row in pstats.Stats(watch).stats.items():  # type: ignore[attr-defined]
            place = ".".join(Path(file).with_suffix("").parts[-2:])
            for stage, key in STAGES.items():
                if (place, name) == key:
                    seconds[stage] = row[3]
        columns.append(seconds)
    rows = [
        (stage, *(f"{column[stage]:.2f}" if stage in column else "" for column in columns))
        for stage in STAGES
    ]
    return table(("seconds with the profiler on", *(case.name for case in made)), rows)


LOAD_BEFORE = os.getloadavg()[0]


def main() -> None:
    """Parse the words, write the files, run, print."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--long", action="store_true", help="three hours as well (1.3 GB of files)")
    words.add_argument("--repeat", type=int, default=3)
    words.add_argument("--write", type=Path, help="put the table between the marks of this page")
    given = words.parse_args()
    # else every run compiles them anew where Python is told to leave no bytecode behind
    compileall.compile_dir(Path(vibeorder.__file__).parent, quiet=1)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        vehicle = folder / "truck.toml"
        vehicle.write_text(TRUCK, encoding="utf-8")
        made = cases(folder, LENGTHS_S | (LONG_S if given.long else {}))
        ten = [case for case in made if case.name.startswith("10 min")]
        text = "\n\n".join(
            (measured(made, vehicle, given.repeat), started(made, given.repeat), profiled(ten, vehicle))
        )
    publish(text, given.write, "speed")


if __name__ == "__main__":
    main()
