"""The next sensible step of a job, from what is in it: record, measure, cure, drive again, compare, close.

The order of the trade (common practice, no source): a verdict first, then runout before anything is balanced or
replaced, then the cure, then the same drive once more to prove it.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import urlencode

from vibeorder.casebook import Entry, Job, readable, runouts_within_limits
from vibeorder.diagnosis.advice import LIKELY
from vibeorder.web.pages_common import for_page
from vibeorder.web.to_bench import steps_for

__all__ = ["NextStep", "next_step", "suspect_of_entry"]


@dataclass(frozen=True, slots=True)
class NextStep:
    """What to do, why, and where."""

    words: str
    why: str
    href: str


def next_step(job: Job) -> NextStep:
    """What to do next in a job."""
    here, job = f"/jobs/{job.number}", readable(job)
    if job.closed:
        return NextStep("Nothing: the job is closed", "It can be opened again below.", f"{here}#words")
    last = {kind: _last(job, kind) for kind in ("recording", "reading", "cure", "comparison")}
    before, after = _recordings(job, "before"), _recordings(job, "after")
    if last["comparison"] > max(last["cure"], last["recording"], last["reading"]):
        return _after_comparison(job, here)
    if after and after[-1] > max(last["comparison"], last["cure"]):
        if before:
            return NextStep("Compare before and after", "Both drives are here.", f"{here}#compare")
        return NextStep("Record the drive before", "One drive alone proves no repair.", f"/?job={job.number}")
    if last["cure"] >= 0:
        why = "Same road, speed, gear, tires and load, phone in the same place: only then does it prove the repair."
        return NextStep("Drive again", why, f"/?job={job.number}&role=after")
    if last["reading"] > last["recording"]:
        return _after_reading(job, job.entries[last["reading"]])
    if before:
        return _after_recording(job, job.entries[before[-1]])
    return NextStep("Record the shake", "A drive at the speed of the complaint.", f"/?job={job.number}")


def suspect_of_entry(entry: Entry) -> Mapping[str, Any] | None:
    """The likeliest suspect of a recording's diagnosis; None where nothing is likelier."""
    diagnosis = _judged(entry)
    if not isinstance(diagnosis, Mapping):
        return None
    suspects = [one for one in diagnosis.get("suspects") or [] if {"part", "order"} <= set(one)]
    first = suspects[0] if suspects else None
    nothing = float(diagnosis.get("nothing_found_probability") or 0.0)
    return first if first is not None and float(first.get("probability") or 0.0) >= nothing else None


def _judged(entry: Entry) -> object:
    """What the next step rests on: the recordings that came together as one, else this one alone."""
    return entry.body.get("together") or entry.body.get("diagnosis")


def _last(job: Job, kind: str) -> int:
    """Place of the last entry of a kind, -1 for none."""
    return max((i for i, entry in enumerate(job.entries) if entry.kind == kind), default=-1)


def _recordings(job: Job, role: str) -> list[int]:
    return [
        i for i, e in enumerate(job.entries) if e.kind == "recording" and e.body.get("role", "before") == role
    ]


def _after_comparison(job: Job, here: str) -> NextStep:
    verdict = str((job.of_kind("comparison")[-1].body.get("result") or {}).get("verdict", ""))
    if verdict == "cured":
        return NextStep("Close the job", "The comparison shows that the shake is cured.", f"{here}#words")
    if verdict == "cannot say":
        reason = str((job.of_kind("comparison")[-1].body.get("result") or {}).get("reason") or "")
        why = for_page(
            f"the two drives cannot be compared: {reason}." if reason else "the drives cannot be compared."
        )
        return NextStep("Drive again", why, f"/?job={job.number}&role=after")
    words = {
        "improved": "It is better, and not proven cured: what is left of it?",
        "worse": "It is worse: what was done last?",
    }.get(verdict, "It is as it was: the cause is another one.")
    return NextStep("Back to the bench", words, f"/bench?job={job.number}")


def _after_recording(job: Job, entry: Entry) -> NextStep:
    diagnosis = _judged(entry)
    if not isinstance(diagnosis, Mapping):
        return NextStep("Measure", "This recording was not diagnosed.", f"/bench?job={job.number}")
    suspect = suspect_of_entry(entry)
    likely = suspect is not None and float(suspect.get("probability") or 0.0) >= LIKELY
    runout = diagnosis.get("runout_check")
    warranted = isinstance(runout, Mapping) and bool(runout.get("warranted"))
    steps = steps_for(str(suspect["part"]), float(suspect["order"])) if suspect is not None and likely else ()
    if steps and suspect is not None and (warranted or steps[0].sheet != "runout"):
        query = {"part": suspect["part"], "order": f"{float(suspect['order']):g}", "job": job.number}
        if steps[0].place:
            query["place"] = steps[0].place
        why = str(suspect.get("first_check") or diagnosis.get("verdict") or "")
        return NextStep(steps[0].words, why, f"/bench/{steps[0].sheet}?{urlencode(query)}")
    drive = diagnosis.get("next_drive")
    if drive:
        said = (
            drive
            if isinstance(drive, str)
            else str(drive.get("instruction", ""))
            if isinstance(drive, Mapping)
            else ""
        )
        return NextStep("Another drive", said, f"/?job={job.number}")
    if suspect is None:
        why = "Nothing that turns explains it: see whether it shakes on another road, load or speed."
        if diagnosis.get("unexplained"):
            why = "It shakes, at no part's rate: check the profile, the gear and the speed, then drive once more."
        return NextStep("Drive once more, or look elsewhere", why, f"/?job={job.number}")
    return NextStep("Check by hand", str(suspect.get("first_check") or ""), f"/jobs/{job.number}#words")


def _after_reading(job: Job, entry: Entry) -> NextStep:
    command = str(entry.body.get("command"))
    query, cure = f"?job={job.number}", f"/jobs/{job.number}#words"
    said = str((entry.body.get("result") or {}).get("sentence", ""))
    result = (entry.body.get("result") or {}).get("result")
    verdict = result.get("verdict") if isinstance(result, Mapping) else None
    if command == "runout" and verdict == "over":
        return NextStep(
            "Half-turn test", "It is over the limit: whose runout is it?", f"/bench/half-turn{query}"
        )
    if command == "runout" and runouts_within_limits(job):
        why = "What was read is within limits. Balance it only if it still shakes once a turn; else put down the cure."
        return NextStep("Balance, or the cure", why, f"/bench/balance{query}")
    if command == "runout":
        return NextStep(
            "Read again", "A runout is not yet clearly within its limit.", f"/bench/runout{query}"
        )
    if command == "halfturn":
        return NextStep("Which way to bolt them", said, f"/bench/mating{query}")
    return NextStep("Do it, and put down what was done", said, cure)
