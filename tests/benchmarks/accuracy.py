"""How often the first suspect is right, and whether the probabilities mean what they say, on simulated road tests.

    python tests/benchmarks/accuracy.py --kind gps --tests 300
    python tests/benchmarks/accuracy.py --all --tests 200 --json-lines all.jsonl --write docs/accuracy.md
    python tests/benchmarks/accuracy.py --from all.jsonl --write docs/accuracy.md      # same table, nothing run

Seeds from 100000 up are kept for this; tuning used seeds below 50000. +- is one standard error.
"""

import argparse
import json
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import get_args

sys.path.insert(0, str(Path(__file__).resolve().parent))

import blas  # noqa: F401
import numpy as np
from common import (
    Known,
    Outcome,
    Task,
    calibration_error,
    chance_error,
    each,
    judge_task,
    publish,
    table,
    tasks_of,
)

from vibeorder.vehicle import Layout

SEED_BASE = 100_000
SURE = 0.9
LEAST_LOG = 1e-4
LEAST_IN_ROW = 5
TOLD_EVERY_S = 60.0

GPS, HEALTHY = "GPS speed, gear not told", "GPS speed, healthy"
GPS_GEAR = "GPS speed, held, gear told"
DASH = "speed off the dash (0 to 4% high), held, gear not told"
DASH_GEAR = "speed off the dash, held, gear told"
DASH_HEALTHY = "speed off the dash, held, healthy"
NONE = "no speed"
AUDIO_GEAR, AUDIO = (
    "sound, speed off the dash, held, gear told",
    "sound, speed off the dash, held, gear not told",
)
MEMO, MEMO_HEALTHY = "sound, no speed, held", "sound, no speed, held, healthy"
AUDIO_HEALTHY = "sound, speed off the dash, held, healthy"
MIXED = (
    ("GPS speed", GPS, HEALTHY),
    ("speed off the dash", DASH, DASH_HEALTHY),
    ("sound", AUDIO, AUDIO_HEALTHY),
    ("sound, no speed", MEMO, MEMO_HEALTHY),
)
"""What is put together as the prior has it: rows with a fault, and without, of which the gear was told neither."""

HEADS = (
    "what is known", "road tests", "first suspect right", "with twins as one", "heads the list",
    "the very fault first",
    "'nothing' said", "P(fault)", "log loss", "Brier", "calibration error (by chance)",
    "claims of 90% and more: share, right", "seconds",
)  # fmt: skip

MIXED_HEADS = (
    "faulty and healthy drives, 60 to 40, gear not told", "road tests", "log loss", "calibration error (by chance)",
    "claims of 90% and more: share, right",
)  # fmt: skip

LEGEND = (
    "First suspect right, and with twins as one: and 'nothing that turns' has no more. Heads the list: the fault, or "
    "what is said to be indistinct from it, is the first of the suspects, whatever 'nothing' has. The very fault "
    "first: the first suspect is the part and order at fault, not one that coincides with it. "
    "'Nothing' said: a fault was there, and 'nothing that turns' had more than the first suspect with its twins. "
    "Brier: mean square of claim minus outcome. By chance: the calibration error that perfectly calibrated claims "
    "would show in so few road tests. A part blamed: more than half, or a runout check called for."
)

BANDS: tuple[tuple[str, Callable[[Outcome], bool]], ...] = (
    ("held speed", lambda s: s.drive == "steady"),
    ("changing speed", lambda s: s.drive == "sweep"),
    *((f"{rate:g} samples a second", lambda s, rate=rate: s.rate_hz == rate) for rate in (100, 200, 400)),
    ("fault 0.10 to 0.15 m/s^2", lambda s: s.strength_mps2 < 0.15),
    ("fault 0.15 to 0.25 m/s^2", lambda s: 0.15 <= s.strength_mps2 < 0.25),
    ("fault 0.25 to 0.5 m/s^2", lambda s: s.strength_mps2 >= 0.25),
    *((layout, lambda s, layout=layout: s.layout == layout) for layout in get_args(Layout)),
)


def all_tasks(count: int, base: int) -> list[Task]:
    """The road tests of the docs' tables."""
    half, few = max(count // 2, 1), max(count // 6, 1)
    return [
        *tasks_of("gps", count, base, name=GPS),
        *tasks_of("gps", half, base, drive="steady", gear_known=True, name=GPS_GEAR),
        *tasks_of("dash", half, base, drive="steady", name=DASH),
        *tasks_of("dash", half, base, drive="steady", gear_known=True, name=DASH_GEAR),
        *tasks_of("none", few, base, name=NONE),
        *tasks_of("audio", half, base, drive="steady", name=AUDIO),
        *tasks_of("audio", half, base, drive="steady", gear_known=True, name=AUDIO_GEAR),
        *tasks_of("memo", 2 * few, base, drive="steady", name=MEMO),
        *tasks_of("gps", half, base, healthy=True, name=HEALTHY),
        *tasks_of("dash", 2 * few, base, drive="steady", healthy=True, name=DASH_HEALTHY),
        *tasks_of("audio", 2 * few, base, drive="steady", healthy=True, name=AUDIO_HEALTHY),
        *tasks_of("memo", 2 * few, base, drive="steady", healthy=True, name=MEMO_HEALTHY),
    ]


def tables(outcomes: Sequence[Outcome]) -> str:
    """Both tables: drives with a fault, in rows by what is known and the largest row broken down; healthy ones."""
    faulty = [s for s in outcomes if s.strength_mps2 > 0.0]
    sound = [s for s in outcomes if s.strength_mps2 == 0.0]
    parts = []
    if faulty:
        parts += [table(HEADS, rows_of(faulty)), LEGEND]
    if sound:
        parts.append(
            table(
                ("healthy drives", "road tests", "a part blamed", "P(nothing)", "seconds"),
                [healthy_row(name, [s for s in sound if s.name == name]) for name in names(sound)],
            )
        )
    mixed = [row for kind in MIXED if (row := as_the_prior_has_it(faulty, sound, *kind)) is not None]
    if mixed:
        parts.append(table(MIXED_HEADS, mixed))
    return "\n\n".join(parts)


def rows_of(outcomes: Sequence[Outcome]) -> Iterator[Sequence[str]]:
    """A row for every name; the first, which has the most road tests, also broken down."""
    for i, name in enumerate(names(outcomes)):
        own = [s for s in outcomes if s.name == name]
        yield row(name, own)
        if i == 0:
            for band, wanted in BANDS:
                some = [s for s in own if wanted(s)]
                if LEAST_IN_ROW <= len(some) < len(own):
                    yield row(f"- {band}", some)


def names(outcomes: Sequence[Outcome]) -> list[str]:
    """The rows' names in the order in which they came."""
    return list(dict.fromkeys(s.name for s in outcomes))


def row(name: str, outcomes: Sequence[Outcome]) -> Sequence[str]:
    """One line of the table of faults."""
    given = np.array([s.given for s in outcomes])
    claimed = np.array([s.claimed for s in outcomes])
    right = np.array([s.twin for s in outcomes], float)
    sure = claimed >= SURE
    return (
        name,
        str(len(outcomes)),
        share([s.right for s in outcomes]),
        share([s.twin for s in outcomes]),
        share([s.heading for s in outcomes]),
        share([s.exact for s in outcomes]),
        f"{np.mean([s.said_nothing for s in outcomes]):.1%}",
        f"{given.mean():.3f}",
        mean_of(-np.log(np.maximum(given, LEAST_LOG))),
        f"{np.mean((claimed - right) ** 2):.3f}",
        f"{calibration_error(claimed, right):.3f} ({chance_error(claimed):.3f})",
        f"{sure.mean():.0%}, {share(right[sure]) if sure.any() else '-'}",
        f"{np.mean([s.seconds for s in outcomes]):.2f}",
    )


def healthy_row(name: str, outcomes: Sequence[Outcome]) -> Sequence[str]:
    """One line of the table of healthy drives."""
    return (
        name,
        str(len(outcomes)),
        share([s.blamed for s in outcomes]),
        f"{np.mean([s.nothing for s in outcomes]):.3f}",
        f"{np.mean([s.seconds for s in outcomes]):.2f}",
    )


def as_the_prior_has_it(
    faulty: Sequence[Outcome], sound: Sequence[Outcome], what: str, ill_name: str, well_name: str
) -> Sequence[str] | None:
    """Calibration with faulty and healthy drives mixed 60 to 40, as the diagnosis takes complaints to be."""
    ill, well = [s for s in faulty if s.name == ill_name], [s for s in sound if s.name == well_name]
    wanted = min(len(ill), len(well) * 3 // 2)
    if not wanted:
        return None
    mixed = [*ill[:wanted], *well[: wanted * 2 // 3]]
    claimed = np.array([s.claimed for s in mixed])
    given = np.array([s.given for s in mixed])
    right = np.array([s.twin for s in mixed], float)
    sure = claimed >= SURE
    return (
        what,
        str(len(mixed)),
        mean_of(-np.log(np.maximum(given, LEAST_LOG))),
        f"{calibration_error(claimed, right):.3f} ({chance_error(claimed):.3f})",
        f"{sure.mean():.0%}, {share(right[sure]) if sure.any() else '-'}",
    )


def share(hits: "Sequence[bool] | np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> str:
    """A share and its standard error; with no or all hits that of half a hit (never a zero error)."""
    values = np.asarray(hits, float)
    n, p = values.size, float(values.mean())
    doubt = np.clip(p, 0.5 / n, 1.0 - 0.5 / n)
    return f"{p:.1%} +- {np.sqrt(doubt * (1.0 - doubt) / n):.1%}"


def mean_of(values: "np.ndarray[tuple[int, ...], np.dtype[np.float64]]") -> str:
    """A mean and its standard error."""
    if values.size < 2:
        return f"{values.mean():.3f}"
    return f"{values.mean():.3f} +- {values.std(ddof=1) / np.sqrt(values.size):.3f}"


def run(tasks: Sequence[Task], jobs: int, keep: Path | None) -> list[Outcome]:
    """Judge all tasks; each outcome goes to `keep` as it comes, so that a stopped campaign is not lost."""
    outcomes: list[Outcome] = []
    told = time.monotonic()
    for outcome in each(judge_task, tasks, jobs):
        outcomes.append(outcome)
        if keep is not None:
            with keep.open("a", encoding="utf-8") as file:
                file.write(json.dumps(asdict(outcome)) + "\n")
        if time.monotonic() - told > TOLD_EVERY_S:
            told = time.monotonic()
            print(f"{len(outcomes)} of {len(tasks)}", file=sys.stderr)
    return outcomes


def kept(path: Path) -> list[Outcome]:
    """Outcomes that an earlier run kept."""
    with path.open(encoding="utf-8") as file:
        return [Outcome(**json.loads(line)) for line in file if line.strip()]


def parser() -> argparse.ArgumentParser:
    """The words that this command takes."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--kind", choices=get_args(Known), default="gps")
    words.add_argument("--tests", type=int, default=300)
    words.add_argument("--seed-base", type=int, default=SEED_BASE)
    words.add_argument("--drive", choices=["steady", "sweep"])
    words.add_argument("--layout", choices=get_args(Layout))
    words.add_argument("--jobs", type=int, default=2)
    words.add_argument("--healthy", action="store_true")
    words.add_argument("--gear-known", action="store_true")
    words.add_argument("--all", action="store_true", help="the tables of docs/accuracy.md")
    words.add_argument("--json-lines", type=Path, help="add every outcome to this file")
    words.add_argument("--from", dest="source", type=Path, help="run nothing: tables of kept outcomes")
    words.add_argument("--write", type=Path, help="put the tables between the marks of this page")
    return words


def main() -> None:
    """Parse the words, run, print."""
    words = parser().parse_args()
    if words.source is not None:
        outcomes = kept(words.source)
    else:
        tasks = (
            all_tasks(words.tests, words.seed_base)
            if words.all
            else tasks_of(
                words.kind,
                words.tests,
                words.seed_base,
                drive=words.drive,
                layout=words.layout,
                healthy=words.healthy,
                gear_known=words.gear_known,
            )
        )
        outcomes = run(tasks, words.jobs, words.json_lines)
    text = tables(outcomes)
    publish(text, words.write, "accuracy")


if __name__ == "__main__":
    main()
