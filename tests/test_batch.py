"""Every recording of a folder in one table: what one file does to the others, kills, restarts, vehicles, tables."""

import contextlib
import json
import os
import pty
import re
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from multiprocessing import active_children
from pathlib import Path

import pytest
from batch_examples import (
    CAR_TOML,
    TRUCK_TOML,
    VOLT_TOML,
    batch_command,
    batch_here,
    environment,
    fill,
    rows_of,
    without_time,
)
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from patience import PATIENCE_S

from vibeorder.batch import (
    Outcome,
    Said,
    Task,
    diagnose_file,
    local_results,
    plan_batch,
    write_suspects,
    write_table,
)
from vibeorder.batch.journal import BEGINS, open_journal
from vibeorder.batch_cli import _short
from vibeorder.cli import main
from vibeorder.diagnosis import diagnose
from vibeorder.errors import VibeorderError
from vibeorder.recording import read_recording
from vibeorder.report import as_dict
from vibeorder.vehicle import load_vehicle


@pytest.fixture(scope="module")
def drives(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return fill(tmp_path_factory.mktemp("batch") / "drives")


@pytest.fixture(scope="module")
def done(drives: Path) -> tuple[subprocess.CompletedProcess[str], Path]:
    """A batch over the folder, one of its files no recording, with both tables."""
    folder = drives.parent / "with_a_bad_one"
    shutil.copytree(drives, folder)
    (folder / "bad.csv").write_text("the car shakes\nat sixty\n")
    (folder / "notes.pdf").write_bytes(b"%PDF")
    out = folder / "results.csv"
    return batch_command(folder, "--out", out, "--suspects", folder / "suspects.parquet"), out


def test_each_row_says_what_diagnosing_that_recording_alone_says(
    drives: Path, done: tuple[subprocess.CompletedProcess[str], Path]
) -> None:
    rows = {row["source"]: row for row in rows_of(done[1])}
    for source in ("volt1.csv", "cars/car0.csv"):
        path = drives / source
        alone = as_dict(diagnose(read_recording(path), load_vehicle(path.parent / "vehicle.toml")))
        first, row = alone["suspects"][0], rows[source]  # type: ignore[index]
        assert (row["verdict"], row["vehicle"], row["error"]) == (alone["verdict"], alone["vehicle"], "")
        assert (row["part"], float(row["order"])) == (first["part"], first["order"])
        assert float(row["probability"]) == first["probability"]
        assert float(row["frequency_hz"]) == first["frequency_hz"]
        assert float(row["nothing_probability"]) == alone["nothing_found_probability"]


def test_one_bad_file_does_not_stop_the_rest_and_its_row_says_why(
    done: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    run, out = done
    assert run.returncode == 0, run.stderr
    rows = {row["source"]: row for row in rows_of(out)}
    assert list(rows) == ["bad.csv", "cars/car0.csv", "volt0.csv", "volt1.csv", "volt2.csv"]
    assert "no rows of numbers" in rows["bad.csv"]["error"]
    assert [source for source, row in rows.items() if row["verdict"]] == [*rows][1:]
    assert "5 recordings: 4 diagnosed, 1 not." in run.stdout
    assert "notes.pdf" in run.stdout
    lines = run.stderr.splitlines()  # one each, as stderr is no terminal
    assert [re.sub(r", \d+ (s|min) left", "", line).split("  ")[0] for line in lines] == [
        f"{k} of 5" for k in range(1, 6)
    ]
    assert all(" left  " in line for line in lines[:-1]) and "left" not in lines[-1]
    assert (
        sum(bool(re.search(r", (over )?\d+%$", line)) for line in lines) == 4
    )  # how sure, as on every screen


def test_a_shake_at_no_parts_rate_is_not_called_nothing() -> None:
    result = {"suspects": [], "nothing_found_probability": 0.75, "unexplained": {"frequency_hz": 33.13}}
    outcome = Outcome("a.csv", None, "", "truck", 1.0, result, "")
    assert _short(outcome) == "a shake at 33.1 Hz at no part's rate, 75%"
    assert _short(replace(outcome, result=result | {"unexplained": None})) == "nothing that turns, 75%"


def test_the_table_of_suspects_has_every_suspect_and_reads_in_pandas(
    done: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: Parquet is not tested")
    import pandas as pd

    table = pd.read_parquet(done[1].with_name("suspects.parquet"))
    assert set(table["source"]) == {"cars/car0.csv", "volt0.csv", "volt1.csv", "volt2.csv"}
    row = rows_of(done[1])[2]
    total = table[table["source"] == row["source"]]["probability"].sum() + float(row["nothing_probability"])
    assert total == pytest.approx(1.0, abs=1e-9)
    first = table[(table["source"] == row["source"]) & (table["rank"] == 1)].iloc[0]
    assert (first["part"], first["probability"]) == (row["part"], float(row["probability"]))


def test_parquet_and_csv_hold_the_same(
    done: tuple[subprocess.CompletedProcess[str], Path], tmp_path: Path
) -> None:
    pytest.importorskip("pyarrow", reason="pyarrow is not installed: Parquet is not tested")
    import pandas as pd

    with open_journal(done[1]) as journal:
        outcomes = list(journal.kept.values())
    write_table(tmp_path / "a.parquet", outcomes, ".parquet")
    write_table(tmp_path / "a.csv", outcomes, ".csv")
    one, two = pd.read_parquet(tmp_path / "a.parquet"), pd.read_csv(tmp_path / "a.csv")
    two["runout_warranted"] = two["runout_warranted"].map({"yes": True, "no": False})
    assert list(one.columns) == list(two.columns)
    for name in one.columns:
        pairs = zip(one[name], two[name], strict=True)
        assert all(a == b or (pd.isna(b) and (pd.isna(a) or a == "")) for a, b in pairs), name


# ---- started again


@pytest.fixture(scope="module")
def once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder of three recordings and the table of a batch over them."""
    place = tmp_path_factory.mktemp("once")
    assert batch_here(fill(place / "drives", cars=0), "--out", place / "r.csv").returncode == 0
    return place


def changed_by(folder: Path, what: str) -> tuple[str | Path, ...]:
    """Change one thing about volt1.csv, or about all; the words of the second run."""
    path = folder / "volt1.csv"
    before = path.stat()
    if what == "content":  # same size, same time
        content = path.read_bytes()
        path.write_bytes(content[:-3] + (b"9" if content[-3:-2] != b"9" else b"8") + content[-2:])
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns))
    elif what == "time":
        os.utime(path, ns=(before.st_atime_ns, before.st_mtime_ns + 10**9))
    elif what == "vehicle":
        (folder / "vehicle.toml").write_text(VOLT_TOML.replace("9.04", "9.05"))
    return ("--unit", "m/s^2") if what == "words" else ()


@pytest.mark.parametrize(
    ("what", "again"), [("nothing", 0), ("content", 1), ("time", 1), ("vehicle", 3), ("words", 3)]
)
def test_started_again_only_what_changed_is_done_again(
    once: Path, tmp_path: Path, what: str, again: int
) -> None:
    shutil.copytree(once, tmp_path / "copy")  # times of change are copied too
    folder, out = tmp_path / "copy" / "drives", tmp_path / "copy" / "r.csv"
    out.unlink()
    second = batch_here(folder, "--out", out, *changed_by(folder, what))
    assert second.returncode == 0, second.stderr
    assert second.stderr.count("\n") == again
    assert len(rows_of(out)) == 3


def test_a_recording_that_failed_is_tried_again(tmp_path: Path) -> None:
    folder = fill(tmp_path / "drives", volts=1, cars=0)
    good = (folder / "volt0.csv").read_bytes()
    (folder / "volt0.csv").write_bytes(b"x")
    out = tmp_path / "r.csv"
    batch_here(folder, "--out", out)
    assert rows_of(out)[0]["error"]
    (folder / "volt0.csv").write_bytes(good)
    batch_here(folder, "--out", out)
    assert rows_of(out)[0]["error"] == ""


def lines_in(journal: Path) -> int:
    return journal.read_bytes().count(b"\n") if journal.exists() else 0


def test_after_kill_9_at_most_the_files_in_work_are_lost_and_the_table_comes_out_the_same(
    tmp_path: Path,
) -> None:
    folder = fill(tmp_path / "drives", volts=5, cars=0)
    out, other = tmp_path / "r.csv", tmp_path / "undisturbed.csv"
    words = [
        sys.executable,
        "-m",
        "vibeorder.cli",
        "batch",
        str(folder),
        "--out",
        str(out),
        "--processes",
        "2",
    ]
    with subprocess.Popen(words, env=environment(), stderr=subprocess.PIPE, text=True) as victim:
        assert victim.stderr is not None
        said = [victim.stderr.readline() for _ in range(2)]
        victim.send_signal(signal.SIGKILL)
    kept = lines_in(tmp_path / "r.csv.journal")
    assert 2 <= kept < 5, said
    assert not out.exists()
    again = batch_command(folder, "--out", out)
    assert again.stderr.count("\n") == 5 - kept  # none done twice
    assert batch_here(folder, "--out", other).returncode == 0
    assert without_time(rows_of(out)) == without_time(rows_of(other))


def test_ctrl_c_says_what_is_kept_and_leaves_no_process_and_no_table(tmp_path: Path) -> None:
    folder = fill(tmp_path / "drives", volts=6, cars=0)
    out = tmp_path / "r.csv"
    words = [
        sys.executable,
        "-m",
        "vibeorder.cli",
        "batch",
        str(folder),
        "--out",
        str(out),
        "--processes",
        "1",
    ]
    with subprocess.Popen(
        words, env=environment(), stderr=subprocess.PIPE, text=True, start_new_session=True
    ) as stopped:
        assert stopped.stderr is not None
        stopped.stderr.readline()
        os.killpg(stopped.pid, signal.SIGINT)  # as a terminal does: to parent and children
        rest = stopped.stderr.read()  # ends when the last process holding it is gone
    assert stopped.returncode == 130
    assert "Traceback" not in rest
    assert "the same command goes on from there" in rest
    assert not out.exists()


def test_after_ctrl_c_only_what_still_holds_is_counted(
    once: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(once, tmp_path / "copy")
    folder = tmp_path / "copy" / "drives"
    changed_by(folder, "content")
    (folder / "volt2.csv").write_bytes(b"x")

    def one_and_stop(tasks: list[Task], processes: int) -> Iterator[Outcome]:
        yield diagnose_file(tasks[-1])  # fails: it will be tried again
        raise KeyboardInterrupt

    monkeypatch.setattr("vibeorder.batch.local_results", one_and_stop)
    assert main(["batch", str(folder), "--out", str(tmp_path / "copy" / "r.csv")]) == 130
    assert "Stopped: 1 of 3 are kept" in capsys.readouterr().err


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(0, 10_000), garbage=st.binary(max_size=20))
def test_a_journal_cut_anywhere_gives_back_every_whole_line(
    tmp_path_factory: pytest.TempPathFactory, cut: int, garbage: bytes
) -> None:
    out = tmp_path_factory.mktemp("journal") / "r.csv"
    made = [Outcome(f"{i} \udce9.csv", None, "x", "car", 1.5, None, "refused") for i in range(4)]
    with open_journal(out) as journal:
        for one in made[:3]:
            journal.add(one)
    raw = journal.path.read_bytes()
    cut = cut % (len(raw) + 1)
    assume(cut >= len(BEGINS) or not garbage)  # else it is some other file, and is left alone
    journal.path.write_bytes(raw[:cut] + garbage)
    whole = raw[:cut].count(b"\n") + (raw[cut:].startswith(b"\n") and not garbage.strip(b" \t\r\n"))
    with open_journal(out) as journal:
        assert [*journal.kept.values()][:whole] == made[:whole]
        journal.add(made[3])
    with open_journal(out) as journal:
        assert journal.kept[made[3].source] == made[3]


@pytest.mark.parametrize("odd", [{"source": ["a"]}, {"error": 3}, {"result": [1]}, {"options": None}])
def test_a_line_of_the_journal_that_was_changed_by_hand_is_passed_over(
    tmp_path: Path, odd: dict[str, object]
) -> None:
    out = tmp_path / "r.csv"
    with open_journal(out) as journal:
        journal.add(Outcome("a.csv", None, "x", "car", 1.5, None, "refused"))
    line = json.loads(journal.path.read_text())
    with journal.path.open("a") as file:
        file.write(json.dumps(line | odd) + "\n")
    with open_journal(out) as journal:
        assert journal.kept == {"a.csv": Outcome("a.csv", None, "x", "car", 1.5, None, "refused")}


def test_two_batches_do_not_write_one_output(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder, out = fill(tmp_path / "drives", volts=1, cars=0), tmp_path / "r.csv"
    with open_journal(out):
        assert main(["batch", str(folder), "--out", str(out)]) == 2
    assert "another batch is writing" in capsys.readouterr().err


def test_a_file_that_is_no_journal_is_not_written_to(tmp_path: Path) -> None:
    path = tmp_path / "r.csv.journal"
    path.write_text("dear diary\ntoday\n")
    with pytest.raises(VibeorderError, match="no journal"), open_journal(tmp_path / "r.csv"):
        pass
    assert path.read_text() == "dear diary\ntoday\n"


# ---- processes


def tasks_in(folder: Path) -> list[Task]:
    return list(plan_batch(folder, None, Said()).tasks)


def test_a_process_that_is_killed_takes_no_recording_along(drives: Path) -> None:
    tasks = tasks_in(drives)
    outcomes: list[Outcome] = []
    for outcome in local_results(tasks, 2):
        if not outcomes:
            for child in active_children():
                with contextlib.suppress(ProcessLookupError):
                    os.kill(child.pid or 0, signal.SIGKILL)
        outcomes.append(outcome)
    assert sorted(one.source for one in outcomes) == [task.source for task in tasks]
    assert [one.error for one in outcomes] == [""] * len(tasks)


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (signal.SIGKILL, "ended twice .*want of memory"),
        (signal.SIGSEGV, "crashed .*twice .*damaged.*WAV or CSV"),
    ],
)
def test_a_recording_that_kills_its_process_every_time_is_given_up_in_a_sentence(
    drives: Path, monkeypatch: pytest.MonkeyPatch, number: signal.Signals, said: str
) -> None:
    tasks = tasks_in(drives)[:2]
    deadly = Task("deadly.csv", str(drives / "volt0.csv"), "", Said(unit=f"deadly {number:d}"))
    monkeypatch.setattr("vibeorder.batch.run._work", _work_or_die)
    outcomes = {one.source: one for one in local_results([deadly, *tasks], 2)}
    assert re.search(said, outcomes["deadly.csv"].error)
    assert all(outcomes[task.source].error == "" for task in tasks)


def _work_or_die(pipe: "object") -> None:
    """A child's life that ends at the deadly one."""
    with contextlib.suppress(EOFError, OSError):
        while True:
            task = pipe.recv()  # type: ignore[attr-defined]
            deadly, _, number = (task.said.unit or "").partition(" ")
            if deadly == "deadly":
                os.kill(os.getpid(), int(number))
            pipe.send(diagnose_file(task))  # type: ignore[attr-defined]


def test_a_recording_that_grows_while_it_is_read_is_said_to(
    drives: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "growing.csv"
    shutil.copy(drives / "volt0.csv", path)

    def read_and_grow(task: Task) -> dict[str, object]:
        with path.open("a") as file:
            file.write("8.00,0,0,9.8,\n")
        return {"vehicle": "invented electric"}

    monkeypatch.setattr("vibeorder.batch.work._diagnosed", read_and_grow)
    outcome = diagnose_file(Task("growing.csv", str(path), str(drives / "vehicle.toml")))
    assert "changed while it was read" in outcome.error


def test_a_fault_of_ours_is_one_rows_error(drives: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fault(task: Task) -> None:
        raise ZeroDivisionError("division by zero")

    monkeypatch.setattr("vibeorder.batch.work._diagnosed", fault)
    assert "a fault in vibeorder" in diagnose_file(tasks_in(drives)[0]).error


# ---- which vehicle


@pytest.fixture
def garage(tmp_path: Path) -> Path:
    """Recordings that need not be read: only planned."""
    for name in (
        "a.csv",
        "b.wav",
        "north/c.csv",
        "north/deep/d.csv",
        "phone/Accelerometer.csv",
        "phone/Location.csv",
    ):
        path = tmp_path / "drives" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("x")
    (tmp_path / "cars").mkdir()
    for name in ("truck", "car"):
        (tmp_path / "cars" / f"{name}.toml").write_text(TRUCK_TOML if name == "truck" else CAR_TOML)
    return tmp_path


def vehicles_of(drives: Path, vehicles: Path | None = None) -> dict[str, str]:
    return {
        task.source: Path(task.vehicle).name or task.trouble
        for task in plan_batch(drives, vehicles, Said()).tasks
    }


def test_one_profile_is_for_all_and_a_bundle_of_sensor_logs_is_one_recording(garage: Path) -> None:
    found = vehicles_of(garage / "drives", garage / "cars" / "car.toml")
    assert found == dict.fromkeys(("a.csv", "b.wav", "north/c.csv", "north/deep/d.csv", "phone"), "car.toml")


def test_a_profile_of_the_same_stem_comes_before_the_nearest_up_the_tree(garage: Path) -> None:
    drives = garage / "drives"
    for place in ("vehicle.toml", "north/vehicle.toml", "b.toml"):
        (drives / place).write_text(TRUCK_TOML)
    (garage / "cars" / "d.toml").write_text(CAR_TOML)
    tasks = {t.source: Path(t.vehicle) for t in plan_batch(drives, garage / "cars", Said()).tasks}
    assert tasks["a.csv"] == drives / "vehicle.toml"
    assert tasks["b.wav"] == drives / "b.toml"
    assert tasks["north/c.csv"] == drives / "north" / "vehicle.toml"
    assert tasks["north/deep/d.csv"] == garage / "cars" / "d.toml"


def test_the_index_says_vehicle_speed_and_gear_of_each(garage: Path) -> None:
    (garage / "cars" / "recordings.csv").write_text(
        "file;vehicle;speed;gear;low range\na.csv;truck;60 mph;7;yes\nnorth\\c.csv;car.toml;;;\ngone.csv;car;;;\n"
    )
    tasks = {t.source: t for t in plan_batch(garage / "drives", garage / "cars", Said(speed="50 mph")).tasks}
    assert tasks["a.csv"].said == Said(speed="60 mph", gear=7, low_range=True)
    assert Path(tasks["a.csv"].vehicle).name == "truck.toml"
    assert (Path(tasks["north/c.csv"].vehicle).name, tasks["north/c.csv"].said.speed) == (
        "car.toml",
        "50 mph",
    )
    assert "gone.csv" in tasks["gone.csv"].trouble
    assert "recordings.csv" in tasks["b.wav"].trouble  # no vehicle is known: what to do


def test_an_index_beside_one_profile_for_all_still_says_speeds_and_exceptions(garage: Path) -> None:
    drives = garage / "drives"
    (drives / "recordings.csv").write_text("file,vehicle,speed\na.csv,,60 mph\nb.wav,car,\n")
    (drives / "car.toml").write_text(CAR_TOML)
    tasks = {t.source: t for t in plan_batch(drives, garage / "cars" / "truck.toml", Said()).tasks}
    assert (Path(tasks["a.csv"].vehicle).name, tasks["a.csv"].said.speed) == ("truck.toml", "60 mph")
    assert Path(tasks["b.wav"].vehicle).name == "car.toml"
    assert "recordings.csv" not in tasks


def test_an_index_in_toml_says_the_same(garage: Path) -> None:
    index = garage / "list.toml"
    index.write_text('[[recording]]\nfile = "a.csv"\nvehicle = "cars/truck"\ngear = 7\nlow_range = true\n')
    task = plan_batch(garage / "drives", index, Said()).tasks[0]
    assert (task.said, Path(task.vehicle).name) == (Said(gear=7, low_range=True), "truck.toml")


@pytest.mark.parametrize(
    ("index", "says"),
    [
        ("file,vehicel\na.csv,truck\n", "vehicel"),
        ("vehicle\ntruck\n", "named file"),
        ("file\na.csv\na.csv\n", "twice"),
        ("file\n../a.csv\n", "not inside"),
        ("file\nnorth/../../outside.csv\n", "not inside"),
        ("file\nnorth\\\\..\\\\..\\\\outside.csv\n", "not inside"),
        ("file\nnorth/../a.csv\n", "not inside"),
        ("file,gear\na.csv,7,8\n", "line 2"),
        ('file\n"a.csv\n', "quote"),
        ("", "named file"),
        ("file\n\xff\n", "UTF-8"),
    ],
)
def test_an_index_that_makes_no_sense_is_refused_before_any_work(garage: Path, index: str, says: str) -> None:
    (garage / "cars" / "recordings.csv").write_bytes(index.encode("latin-1"))
    with pytest.raises(VibeorderError, match=says):
        plan_batch(garage / "drives", garage / "cars", Said())


def test_an_index_reaches_no_file_outside_the_folder_through_a_link(garage: Path) -> None:
    (garage / "elsewhere").mkdir()
    (garage / "elsewhere" / "x.csv").write_text("x")
    (garage / "drives" / "link").symlink_to(garage / "elsewhere")
    (garage / "cars" / "recordings.csv").write_text("file\nlink/x.csv\n")
    with pytest.raises(VibeorderError, match=r"link/x\.csv is not inside"):
        plan_batch(garage / "drives", garage / "cars", Said())


def test_a_name_that_no_file_can_have_is_refused_in_an_index_too(garage: Path) -> None:
    index = garage / "list.toml"
    index.write_text('[[recording]]\nfile = "a\\u0000.csv"\n')
    with pytest.raises(VibeorderError, match="entry 1, does not say which file"):
        plan_batch(garage / "drives", index, Said())


@pytest.mark.parametrize(("line", "says"), [("a.csv,truck,seven", "gear"), ("a.csv,lorry,7", "lorry")])
def test_a_line_that_makes_no_sense_is_its_own_recordings_trouble(garage: Path, line: str, says: str) -> None:
    (garage / "cars" / "recordings.csv").write_text(f"file,vehicle,gear\n{line}\n")
    tasks = {t.source: t for t in plan_batch(garage / "drives", garage / "cars", Said()).tasks}
    assert says in tasks["a.csv"].trouble
    assert "line 2" in tasks["a.csv"].trouble


def test_tables_and_journals_of_earlier_batches_are_no_recordings(garage: Path) -> None:
    drives = garage / "drives"
    write_table(drives / "old.csv", [], ".csv")
    write_suspects(drives / "old_suspects.csv", [], ".csv")
    (drives / "old.csv.journal").write_text("")
    assert {"old.csv", "old_suspects.csv"}.isdisjoint(vehicles_of(drives, garage / "cars" / "car.toml"))


# ---- at the door


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--out", "r.xlsx"), ".csv or .parquet"),
        (("--out", "nowhere/r.csv"), "no folder"),
        (("--out", "r.csv", "--speed", "fast"), "fast"),
        (("--out", "r.csv", "--suspects", "r.csv"), "overwrite"),
        (("--out", "r.csv", "--vehicles", "none.toml"), "none.toml"),
        (("--out", "r.csv", "--axes", "a,b,c,d"), "one to three"),
    ],
)
def test_what_cannot_be_done_is_said_before_any_work(
    drives: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str],
    words: tuple[str, ...], says: str,
) -> None:  # fmt: skip
    monkeypatch.chdir(tmp_path)
    assert main(["batch", str(drives), *words]) == 2
    said = capsys.readouterr()
    assert says in said.err
    assert said.err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_a_recording_is_never_overwritten(drives: Path, capsys: pytest.CaptureFixture[str]) -> None:
    before = (drives / "volt0.csv").read_bytes()
    assert main(["batch", str(drives), "--out", str(drives / "volt0.csv")]) == 2
    assert "overwrite" in capsys.readouterr().err
    assert (drives / "volt0.csv").read_bytes() == before


def test_without_pyarrow_and_dask_a_sentence_says_how_to_get_them(
    drives: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("pyarrow", "pyarrow.parquet", "distributed"):
        monkeypatch.setitem(sys.modules, name, None)
    assert main(["batch", str(drives), "--out", str(tmp_path / "r.parquet")]) == 2
    assert (
        main(["batch", str(drives), "--out", str(tmp_path / "r.csv"), "--scheduler", "tcp://127.0.0.1:1"])
        == 2
    )
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 2
    assert all("pip install 'vibeorder[batch]'" in line for line in said)


def test_on_a_terminal_a_bar_shows_how_far_it_is(drives: Path, tmp_path: Path) -> None:
    master, slave = pty.openpty()
    words = [sys.executable, "-m", "vibeorder.cli", "batch", str(drives), "--out", str(tmp_path / "r.csv")]
    with subprocess.Popen(
        words, env=environment(TERM="xterm", COLUMNS="100"), stderr=slave, stdout=subprocess.PIPE, text=True
    ) as run:
        os.close(slave)
        shown, began = b"", time.monotonic()
        with contextlib.suppress(OSError):  # how Linux says that the terminal's other side is gone
            while time.monotonic() - began < PATIENCE_S and (part := os.read(master, 4096)):
                shown += part
        os.close(master)
        assert run.stdout is not None
        assert "4 recordings: 4 diagnosed, 0 not." in run.stdout.read()
    assert b"4 of 4" in shown
    assert re.search(rb"[1-3] of 4, \d+ (s|min) left", shown)
    assert b"Traceback" not in shown


def test_the_journal_holds_one_json_object_a_line(
    done: tuple[subprocess.CompletedProcess[str], Path],
) -> None:
    lines = done[1].with_name("results.csv.journal").read_text("ascii").splitlines()
    assert {json.loads(line)["source"] for line in lines} == {row["source"] for row in rows_of(done[1])}
