"""The wheel installed into an empty environment of every Python here, and run: a table.

    python tests/benchmarks/wheel.py [PYTHON ...]

Without names: every `python3.N`, N from 11 on, found on the path or among pyenv's. Each gets an environment of
its own with the wheel and what it asks for (pip's cache or the network), and from a folder without the source:
`--help` ten times (start of the interpreter included), `version`, `rates`, `diagnose` of
the sample with the pinion flange (its first suspect), and the shop page's front page. Exit code 1 when one fails.
"""

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse
import urllib.request
from collections.abc import Iterator, Sequence
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
from wheel_build import ROOT, build_wheel

HELP_RUNS = 10
HELP_LIMIT_S = 0.3
MINORS = range(11, 20)
HEAD = "| Python | installs | `--help`, 10 runs: median (fastest to slowest); CPU | version | rates | diagnose | page |"


def main(arguments: Sequence[str] | None = None) -> int:
    """Print the table; 1 when anything in it failed."""
    named = list(sys.argv[1:] if arguments is None else arguments)
    failed = False
    print(HEAD)
    print("|---|---|---|---|---|---|---|")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        wheel: Path | None = None
        for python in named or interpreters():
            room = folder / f"on-{len(list(folder.iterdir()))}"
            cells, wheel = tried(python, room, wheel)
            failed = failed or any("FAILED" in cell for cell in cells)
            print(f"| {' | '.join(cells)} |", flush=True)
            shutil.rmtree(room / "venv", ignore_errors=True)
    return int(failed)


def interpreters() -> Iterator[str]:
    """One of every minor version that runs here; pyenv's own folders, since its shims may point nowhere."""
    pyenv = Path(os.environ.get("PYENV_ROOT", Path.home() / ".pyenv")) / "versions"
    for minor in MINORS:
        places = [str(path) for path in sorted(pyenv.glob(f"3.{minor}.*/bin/python"))]
        on_path = shutil.which(f"python3.{minor}")
        for place in (*places[::-1], *([on_path] if on_path else ())):
            if run([place, "-c", "import venv, ensurepip"]).returncode == 0:
                yield place
                break


def tried(python: str, room: Path, wheel: Path | None) -> tuple[list[str], Path]:
    """One row of the table, and the wheel (built by the first interpreter)."""
    room.mkdir()
    run([python, "-m", "venv", str(room / "venv")], check=True)
    inside = room / "venv" / ("Scripts" if os.name == "nt" else "bin")
    pip = [str(inside / "python"), "-m", "pip", "install", "-q", "--disable-pip-version-check"]
    if wheel is None:
        run([python, "-m", "venv", str(room / "builder")], check=True)
        builder = str(room / "builder" / inside.name / "python")
        run([builder, *pip[1:], "setuptools>=77"], check=True)
        wheel = build_wheel(room, builder)
    version = run([python, "-c", "import platform; print(platform.python_version())"]).stdout.strip()
    installed = run([*pip, str(wheel)])
    if installed.returncode:
        return [version, f"FAILED: {installed.stderr.strip().splitlines()[-1][:80]}", *["-"] * 5], wheel
    return [version, "yes", *smoke(inside, room)], wheel


def smoke(inside: Path, room: Path) -> Iterator[str]:
    """What the installed program says, cell by cell."""
    program = str(inside / "vibeorder")
    data = ROOT / "sample_data"
    truck = ["--vehicle", str(data / "truck.toml")]
    yield help_time([program, "--help"], room)
    said = run([program, "--version"], cwd=room)
    yield said.stdout.strip() or failed(said)
    said = run([program, "rates", *truck, "--speed", "60 mph", "--gear", "7"], cwd=room)
    yield "yes" if "driveshaft" in said.stdout else failed(said)
    flange = str(data / "pinion_flange.csv")
    said = run([program, "diagnose", flange, *truck, "--gear", "7", "--json", "-"], cwd=room)
    yield first_suspect(said.stdout) if said.returncode == 0 else failed(said)
    yield front_page(program, room)


def help_time(command: list[str], room: Path) -> str:
    """Ten runs after a first one, which compiles. The fastest is judged; on a busy machine the CPU time alone."""
    said = run(command, cwd=room)
    if "diagnose" not in said.stdout:
        return failed(said)
    times = []
    before = os.times()
    for _ in range(HELP_RUNS):
        start = time.perf_counter()
        run(command, cwd=room)
        times.append(time.perf_counter() - start)
    after = os.times()
    cpu = (
        after.children_user + after.children_system - before.children_user - before.children_system
    ) / HELP_RUNS
    words = f"{statistics.median(times):.2f} s ({min(times):.2f} to {max(times):.2f}); {cpu:.2f} s"
    busy = hasattr(os, "getloadavg") and os.getloadavg()[0] > (os.cpu_count() or 1)
    taken = cpu if busy else min(times)
    said_busy = f", load {os.getloadavg()[0]:.0f} on {os.cpu_count()}" if busy else ""
    return f"{words}{said_busy}" + (f" FAILED: over {HELP_LIMIT_S} s" if taken >= HELP_LIMIT_S else "")


def first_suspect(text: str) -> str:
    """Part, order and probability of the first suspect."""
    first = json.loads(text)["suspects"][0]
    words = f"{first['part']} {first['order']:g}x, {first['probability']:.2f}"
    return words if (first["part"], first["order"]) == ("driveshaft", 1.0) else f"{words} FAILED"


def front_page(program: str, room: Path) -> str:
    """Whether `vibeorder serve` shows its front page and a style sheet of it."""
    command = [program, "serve", "--port", "0", "--folder", str(room / "house")]
    with subprocess.Popen(
        command, cwd=room, env=surroundings(), text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    ) as server:
        try:
            assert server.stdout is not None
            line = server.stdout.readline()
            url = line.split()[-1]
            if not url.startswith("http"):
                return f"FAILED: {line.strip()[:80]}"
            with urllib.request.urlopen(url, timeout=30) as answer:
                page = answer.read().decode("utf-8")
            style = page.split('rel="stylesheet" href="', 1)[1].split('"', 1)[0]
            with urllib.request.urlopen(urllib.parse.urljoin(url, style), timeout=30) as answer:
                return "yes" if answer.status == 200 and "<form" in page else "FAILED: no form on the page"
        except (OSError, IndexError) as error:
            return f"FAILED: {error}"
        finally:
            server.terminate()


def failed(said: subprocess.CompletedProcess[str]) -> str:
    """The last line of what went wrong."""
    lines = (said.stderr or said.stdout).strip().splitlines() or [f"exit code {said.returncode}"]
    return f"FAILED: {lines[-1][:80]}"


def run(command: list[str], cwd: Path | None = None, check: bool = False) -> subprocess.CompletedProcess[str]:
    """A command run to its end."""
    return subprocess.run(command, cwd=cwd, env=surroundings(), capture_output=True, text=True, check=check)


def surroundings() -> dict[str, str]:
    """One thread of linear algebra, and nothing of this tree on the path."""
    return {**os.environ, "OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": ""}


if __name__ == "__main__":
    sys.exit(main())
