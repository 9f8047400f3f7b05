"""Road tests from a world that the diagnosis' author did not make: drawn, written as files, diagnosed, scored.

    python tests/benchmarks/outside_world.py --tests 200 --seed-base 900000 --jobs 2 --json-lines o.jsonl
    python tests/benchmarks/outside_world.py --from o.jsonl --write docs/accuracy.md    # same tables, nothing run
    python tests/benchmarks/outside_world.py --only 5003 --keep somewhere               # one case and its files

Vehicles, drives, roads, faults, phones and files are drawn by the modules outside_*.py beside this one, which use
nothing of vibeorder: not its simulator, not its rates. Each case comes from one whole number. `vibeorder diagnose` runs
as a process of its own with what a user would type, and is scored by its JSON alone.

Right, with a fault: the first suspect, or one it is said to be indistinct from, is the fault or runs with it (under
1.5 cycles apart all the time that it shakes), and 'nothing' has no more than they have together. Right, healthy: no
group of suspects above 50%, no runout check, no doubt of the vehicle. Wrong and sure: not right, with a claim above
80%. Claim: probability of the first suspect with its twins, or of nothing where that is more, or of the doubt. Sources
of the magnitudes stand in the modules: ISO 8608 for roads, measured rolling of tires, two ordinary vehicles for healthy
wheels, a phone system's definition for clocks and GPS; the rest is judgement, and said to be.
"""

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent))

import numpy as np
from common import calibration_error, chance_error, publish, table
from outside_cases import TOLD, Case, draw_case, keep_truth, same_rate, write_case

__all__ = ["Scored", "examine", "report", "score"]

ROOT = Path(__file__).resolve().parents[2]
LIMIT_S = 600.0
SURE, BLAMED, LEAST = 0.8, 0.5, 1e-4
HEADS = (
    "road tests", "how many", "right", "wrong and sure", "'nothing' said of a fault", "refused", "crashed",
    "P(truth)", "log loss", "mean claim", "calibration error (by chance)", "claims of 90% and more: share, right",
    "seconds",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Scored:
    """What came of one case. answer: first suspect, 'nothing', 'vehicle doubted', 'refused' or 'crashed'.

    given: probability of the truth; claim: of the answer; true: whether the answer is the truth.
    """

    seed: int
    told: str
    drive: str
    layout: str
    rate_hz: float
    family: str
    fault: str
    rms: float
    gear_told: bool
    answer: str
    claim: float
    given: float
    true: bool
    right: bool
    runout: bool
    words: str
    seconds: float


def family_of(case: Case) -> str:
    """The row of the table a case is counted in."""
    if case.fault is None:
        return f"healthy: {case.odd}" if case.odd else "healthy"
    part = case.fault.part.split(":")[0]
    if part == "engine":
        return {0.5: "engine 0.5x", 1.0: "engine 1x"}.get(case.fault.order, "engine firing")
    return f"{part} {case.fault.order:g}x"


def judged(case: Case, found: dict[str, Any]) -> dict[str, Any]:
    """Answer, claim, truth's share and verdicts out of the JSON."""
    suspects, nothing = found["suspects"], found["nothing_found_probability"]
    given = (
        nothing
        if case.fault is None
        else sum(s["probability"] for s in suspects if same_rate(case, s["part"], s["order"]))
    )
    top = suspects[0] if suspects else None
    twins = [tuple(t) for t in top["indistinct_from"]] if top else []
    group = [s for s in suspects if s is top or (s["part"], s["order"]) in twins]
    claim = sum(s["probability"] for s in group)
    runout = bool(found["runout_check"]["warranted"])
    doubt = found.get("profile_mismatch")
    answer = f"{top['part']} {top['order']:g}x" if top else "nothing"
    true = any(same_rate(case, s["part"], s["order"]) for s in group)
    if doubt:
        answer, claim, true = "vehicle doubted", doubt["probability"] or 0.0, False
    elif nothing >= claim:
        answer, claim, true = "nothing", nothing, case.fault is None
    blamed = (answer != "nothing" and claim > BLAMED) or runout
    return {
        "answer": answer, "claim": float(claim), "given": float(given), "true": true, "runout": runout,
        "right": not blamed if case.fault is None else true, "words": found["verdict"],
    }  # fmt: skip


def score(case: Case, truth: dict[str, Any], code: int, out: str, err: str, seconds: float) -> Scored:
    """A case's score from what the process wrote."""
    if code == 0:
        got = judged(case, json.loads(out))
    else:
        word = "refused" if code == 2 else "crashed"
        got = {
            "answer": word,
            "claim": 0.0,
            "given": 0.0,
            "true": False,
            "right": False,
            "runout": False,
            "words": err.strip()[-300:],
        }
    fault = "" if case.fault is None else f"{case.fault.part} {case.fault.order:g}x"
    return Scored(
        seed=case.seed, told=case.told, drive=case.drive.kind, layout=case.car.layout, rate_hz=truth["rate_hz"] or 0.0,
        family=family_of(case), fault=fault, rms=truth["rms_mps2"], gear_told=case.gear_told is not None,
        seconds=seconds, **got,
    )  # fmt: skip


def examine(seed: int, keep: Path | None = None) -> Scored:
    """Draw, write, diagnose and score one case; with `keep` its files stay in a folder named by the seed."""
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary) if keep is None else keep / str(seed)
        folder.mkdir(parents=True, exist_ok=True)
        case = draw_case(seed)
        said, truth = write_case(case, folder)
        words = [
            "diagnose",
            str(said.recording),
            "--vehicle",
            str(folder / "vehicle.toml"),
            *said.options,
            "--json",
            "-",
        ]
        env = os.environ | {"OPENBLAS_NUM_THREADS": "1", "PYTHONPATH": str(ROOT)}
        began = time.perf_counter()
        try:
            done = subprocess.run(
                [sys.executable, "-m", "vibeorder", *words],
                capture_output=True,
                text=True,
                timeout=LIMIT_S,
                env=env,
            )
            code, out, err = done.returncode, done.stdout, done.stderr
        except subprocess.TimeoutExpired:
            code, out, err = -1, "", f"no answer after {LIMIT_S:.0f} s"
        scored = score(case, truth, code, out, err, time.perf_counter() - began)
        if keep is not None:
            keep_truth(folder, truth)
            (folder / "answer.json").write_text(out or err)
            (folder / "score.json").write_text(json.dumps(asdict(scored), indent=1) + "\n")
        return scored


def share(flags: Sequence[bool]) -> str:
    """A share with its standard error; the error of a share of 0 or 1 is that of one half case."""
    n = len(flags)
    if not n:
        return "-"
    p = float(np.mean(flags))
    q = min(max(p, 0.5 / n), 1 - 0.5 / n)
    return f"{p:.1%} +- {np.sqrt(q * (1 - q) / n):.1%}"


def row(name: str, cases: Sequence[Scored]) -> list[str]:
    """One line of the table."""
    heard = [c for c in cases if c.answer not in ("refused", "crashed")]
    losses = np.array([-np.log(max(c.given, LEAST)) for c in heard])
    claims, true = np.array([c.claim for c in heard]), np.array([float(c.true) for c in heard])
    faulty = [c for c in heard if c.fault]
    high = [c for c in heard if c.claim >= 0.9]
    return [
        name,
        str(len(cases)),
        share([c.right for c in cases]),
        share([not c.right and c.claim > SURE for c in cases]),
        f"{np.mean([c.answer == 'nothing' for c in faulty]):.0%}" if faulty else "-",
        str(sum(c.answer == "refused" for c in cases)),
        str(sum(c.answer == "crashed" for c in cases)),
        f"{np.mean([c.given for c in heard]):.3f}" if heard else "-",
        f"{losses.mean():.3f} +- {losses.std() / np.sqrt(len(losses)):.3f}" if heard else "-",
        f"{claims.mean():.1%}" if heard else "-",
        f"{calibration_error(claims, true):.3f} ({chance_error(claims):.3f})" if heard else "-",
        f"{len(high) / len(heard):.0%}, {share([c.true for c in high])}" if heard else "-",
        f"{np.mean([c.seconds for c in cases]):.1f}",
    ]


def report(cases: Sequence[Scored]) -> str:
    """The tables: by what is told, by kind of drive, by the truth."""
    rows = [
        row("all", cases),
        row("all with a fault", [c for c in cases if c.fault]),
        row("all healthy", [c for c in cases if not c.fault]),
    ]
    groups: list[tuple[Callable[[Scored], str], Iterable[str]]] = [
        (lambda c: c.told, TOLD),
        (lambda c: f"drive: {c.drive}", sorted({f"drive: {c.drive}" for c in cases})),
        (lambda c: f"truth: {c.family}", sorted({f"truth: {c.family}" for c in cases})),
    ]
    for key, names in groups:
        for name in names:
            some = [c for c in cases if key(c) == name]
            if some:
                rows.append(row(f"- {name}", some))
    wrong = [c for c in cases if c.answer in ("refused", "crashed")]
    told = "\n".join(f"{c.answer}: {c.words.splitlines()[-1] if c.words else 'nothing said'}" for c in wrong)
    text = table(HEADS, rows)
    return f"{text}\n\n{told}" if told else text


def main() -> None:
    """Words in, tables out."""
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("--tests", type=int, default=60)
    ask.add_argument("--seed-base", type=int, default=5000)
    ask.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    ask.add_argument("--only", type=int, help="this seed alone")
    ask.add_argument("--keep", type=Path, help="folder for every case's files")
    ask.add_argument(
        "--json-lines", type=Path, help="a line per case; cases that are in it are not run again"
    )
    ask.add_argument("--from", dest="kept", type=Path, help="tables of such a file, nothing run")
    ask.add_argument("--write", type=Path, help="page with the marks <!-- begin: outside --> and its end")
    given = ask.parse_args()
    if given.kept:
        cases = [Scored(**json.loads(line)) for line in given.kept.read_text().splitlines()]
    else:
        seeds = (
            [given.only] if given.only is not None else range(given.seed_base, given.seed_base + given.tests)
        )
        cases = run(list(seeds), given.jobs, given.keep, given.json_lines)
    if given.only is not None and not given.kept:
        print(json.dumps(asdict(cases[0]), indent=1))
        return
    publish(report(cases), given.write, "outside")


def run(seeds: list[int], jobs: int, keep: Path | None, lines: Path | None) -> list[Scored]:
    """Every seed, with its line written as soon as it is known."""
    before = (
        [Scored(**json.loads(line)) for line in lines.read_text().splitlines()]
        if lines and lines.exists()
        else []
    )
    cases = [c for c in before if c.seed in set(seeds)]
    left = [s for s in seeds if s not in {c.seed for c in cases}]
    with ProcessPoolExecutor(
        max(jobs, 1)
    ) as pool:  # each child only draws and waits for a process of its own
        for scored in pool.map(partial(examine, keep=keep), left):
            cases.append(scored)
            if lines:
                with lines.open("a") as file:
                    file.write(json.dumps(asdict(scored)) + "\n")
    return cases


if __name__ == "__main__":
    main()
