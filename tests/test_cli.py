"""The command line: every way out has its code and its one sentence, and no file is ever harmed."""

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from importlib import import_module
from pathlib import Path

import numpy as np
import pytest
from report_examples import bent_flange, twins

import vibeorder.diagnosis
import vibeorder.recording
from vibeorder import __version__
from vibeorder.cli import ROOMS, main
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.errors import RecordingError
from vibeorder.recording import Quality, ReadOptions, Recording, Trace
from vibeorder.speed.given import SpeedGiven

TRUCK = """
[vehicle]
name = "Marlow half-ton"
layout = "rwd"
[tire]
size = "275/65R18"
[axle]
ratio = 3.55
[transmission]
gears = [4.7, 2.99, 2.15, 1.77, 1.52, 1.28, 1.0, 0.85]
[engine]
cylinders = 8
"""


class Bench:
    """A folder with a recording and a vehicle, and a diagnosis that only remembers what it was asked."""

    def __init__(self, folder: Path, patch: pytest.MonkeyPatch) -> None:
        self.folder = folder
        self.recording = folder / "drive.csv"
        self.recording.write_text("time,x,y,z\n0,0,0,9.8\n")
        self.vehicle = folder / "truck.toml"
        self.vehicle.write_text(TRUCK)
        self.asked: list[dict[str, object]] = []
        self.options: list[ReadOptions] = []
        self.answer: Callable[[], Diagnosis] = bent_flange
        patch.setattr(vibeorder.recording, "read_recording", self._read)
        patch.setattr(vibeorder.recording, "read_ahead", lambda path, options: self._read)
        patch.setattr(vibeorder.diagnosis, "diagnose", self._judge, raising=False)

    def run(self, *words: str) -> int:
        return main(["diagnose", str(self.recording), "--vehicle", str(self.vehicle), *words])

    def _read(self, path: Path, options: ReadOptions) -> Recording:
        self.options.append(options)
        return Recording(
            np.zeros((1, 100)), 100.0, "m/s^2", "acceleration", ("x",), np.ones(100, bool),
            Quality(100.0, 100.0), path.name,
        )  # fmt: skip

    def _judge(self, recording: Recording, vehicle: object, **asked: object) -> Diagnosis:
        self.asked.append(asked)
        return self.answer()


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    return Bench(tmp_path, monkeypatch)


def one_sentence(capsys: pytest.CaptureFixture[str]) -> str:
    """What stderr holds, having checked that it is one line and stdout is empty."""
    out, err = capsys.readouterr()
    assert out == ""
    assert err.count("\n") == 1
    assert "Traceback" not in err
    return err.strip()


def test_the_report_goes_to_standard_output(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.run("--speed", "60 mph") == 0
    out, err = capsys.readouterr()
    assert out.startswith("97% sure: the driveshaft")
    assert err == ""


def test_json_to_standard_output_is_alone_there(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert bench.run("--json", "-") == 0
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == 1
    assert err == bent_flange().verdict + "\n"


def test_words_reach_the_library_as_quantities(bench: Bench) -> None:
    words = ["--speed", "55-65 mph", "--gear", "6", "--low-range", "--axes", "x, y,z", "--rate", "0.5 kHz"]
    assert bench.run(*words, "--unit", "g", "--time-column", "t") == 0
    asked, options = bench.asked[0], bench.options[0]
    speed = asked["speed"]
    assert isinstance(speed, SpeedGiven)
    # 1 mph = 0.44704 m/s exactly (international mile of 1959)
    assert (speed.low_mps, speed.high_mps) == pytest.approx((55 * 0.44704, 65 * 0.44704))
    assert (asked["gear"], asked["low_range"]) == (6, True)
    assert options == ReadOptions("t", ("x", "y", "z"), "g", rate_hz=500.0)


def test_without_a_speed_it_is_left_to_the_diagnosis(bench: Bench) -> None:
    assert bench.run() == 0
    assert bench.asked[0]["speed"] is None


def test_a_speed_log_arrives_in_metres_per_second(bench: Bench) -> None:
    log = bench.folder / "gps.csv"
    log.write_text("time,speed (km/h)\n0,90\n1,91.8\n2,93.6\n")
    assert bench.run("--speed-log", str(log), "--log-late", "0 s") == 0
    trace = bench.asked[0]["speed"]
    assert isinstance(trace, Trace)
    assert trace.values == pytest.approx([25.0, 25.5, 26.0])
    assert trace.times_s == pytest.approx([0.0, 1.0, 2.0])


def test_the_speed_column_is_the_logs_where_there_is_a_log(bench: Bench) -> None:
    log = bench.folder / "obd.csv"
    log.write_text("time,a,b\n0,50,3\n1,51,3\n2,52,3\n")
    words = ["--speed-log", str(log), "--speed-column", "a", "--speed-unit", "km/h", "--log-late", "0 s"]
    assert bench.run(*words) == 0
    trace = bench.asked[0]["speed"]
    assert isinstance(trace, Trace)
    assert trace.values[0] == pytest.approx(50 / 3.6)
    assert bench.options[0].speed_column is None


def test_files_are_written_and_readable(bench: Bench) -> None:
    outputs = [bench.folder / name for name in ("out.json", "out.png", "out.html")]
    written, drawn, printed = map(str, outputs)
    assert bench.run("--json", written, "--plot", drawn, "--sheet", printed) == 0
    assert json.loads(outputs[0].read_text())["suspects"][0]["part"] == "driveshaft"
    assert outputs[1].read_bytes().startswith(b"\x89PNG")
    assert outputs[2].read_text().startswith("<!DOCTYPE html>")


def test_several_recordings_are_judged_together_and_each_is_told_with_its_name(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    samples = Path(__file__).resolve().parents[1] / "sample_data"
    second = tmp_path / "second.csv"
    second.write_bytes((samples / "pinion_flange.csv").read_bytes())
    words = [
        "diagnose",
        str(samples / "pinion_flange.csv"),
        str(second),
        "--vehicle",
        str(samples / "truck.toml"),
    ]
    assert main([*words, "--gear", "7", "--json", str(tmp_path / "out.json")]) == 0
    said = capsys.readouterr().out
    assert said.startswith("From 2 recordings together: ")
    assert said.count("=== pinion_flange.csv ===") == said.count("=== second.csv ===") == 1
    written = json.loads((tmp_path / "out.json").read_text("utf-8"))
    assert len(written["results"]) == 2
    assert written["suspects"][0]["part"] == "driveshaft"


@pytest.mark.parametrize("option", ["--json", "--plot", "--sheet"])
def test_no_output_overwrites_what_was_read(
    bench: Bench, option: str, capsys: pytest.CaptureFixture[str]
) -> None:
    alias = bench.folder / "alias.png"
    alias.symlink_to(bench.recording)
    for target in (bench.recording, bench.vehicle, alias):
        before = target.read_bytes()
        assert bench.run(option, str(target)) == 2
        assert "would overwrite" in one_sentence(capsys)
        assert target.read_bytes() == before


def test_two_outputs_cannot_be_one_file(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    same = str(bench.folder / "out.png")
    assert bench.run("--json", same, "--plot", same) == 2
    assert "would overwrite" in one_sentence(capsys)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--json", "missing/out.json"], "there is no folder"),
        (["--json", "."], "is a folder"),
        (["--plot", "out.bmp"], "ends in .png"),
        (["--speed", "sixty"], "60 mph"),
        (["--speed", "0 mph"], "standstill"),
        (["--speed", "60 mph", "--speed-log", "x.csv"], "give one of them"),
        (["--speed-log", "nowhere.csv"], "there is no speed log nowhere.csv"),
        (["--log-late", "1 s"], "--speed-log"),
        (["--speed-log", "x.csv", "--log-late", "late"], "1.8 s"),
        (["--rate", "fast"], "500 Hz"),
        (["--rate", "-5 Hz"], "above zero"),
        (["--axes", "a,b,c,d"], "one to three"),
        (["--axes", "a,,b"], "one to three"),
    ],
)
def test_a_slip_ends_in_one_sentence_before_any_work(
    bench: Bench, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.run(*words) == 2
    assert said in one_sentence(capsys)
    assert bench.asked == []


def test_an_error_of_the_library_is_shown_as_it_is_on_one_line(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    def refuse() -> Diagnosis:
        raise RecordingError("drive.csv is\nempty; copy it again")

    bench.answer = refuse
    assert bench.run() == 2
    assert one_sentence(capsys) == "drive.csv is empty; copy it again"


@pytest.mark.parametrize("number", [errno.ENAMETOOLONG, errno.EACCES, errno.EROFS])
def test_a_place_that_cannot_be_used_is_not_called_our_fault(
    bench: Bench, capsys: pytest.CaptureFixture[str], number: int
) -> None:
    def stumble() -> Diagnosis:
        raise OSError(number, os.strerror(number), "x" * 5000)

    bench.answer = stumble
    assert bench.run() == 2
    said = one_sentence(capsys)
    assert f"xxx... cannot be used: {os.strerror(number)}" in said
    assert len(said) < 200


def test_an_output_onto_a_link_to_itself_is_written_in_its_place(bench: Bench) -> None:
    link = bench.folder / "out.json"
    link.symlink_to(link)
    assert bench.run("--json", str(link)) == 0
    assert json.loads(link.read_text())["schema"] == 1


def test_the_details_of_a_fault_are_kept_whatever_the_files_are_called(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble() -> Diagnosis:
        raise ZeroDivisionError("in drive\udcfe.csv")

    monkeypatch.setattr("tempfile.tempdir", str(bench.folder))
    bench.answer = stumble
    assert bench.run() == 1
    one_sentence(capsys)
    (kept,) = bench.folder.glob("vibeorder-fault-*.txt")
    assert r"in drive\udcfe.csv" in kept.read_text()


def test_a_fault_of_ours_says_so_and_keeps_the_details(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def stumble() -> Diagnosis:
        raise ZeroDivisionError("deep inside")

    monkeypatch.setattr("tempfile.tempdir", str(bench.folder))
    bench.answer = stumble
    assert bench.run() == 1
    said = one_sentence(capsys)
    assert "fault in vibeorder" in said
    (kept,) = bench.folder.glob("vibeorder-fault-*.txt")
    assert str(kept) in said
    assert "ZeroDivisionError: deep inside" in kept.read_text()
    monkeypatch.setenv("VIBEORDER_DEBUG", "1")
    assert bench.run() == 1
    assert "Traceback" in capsys.readouterr().err


def test_running_out_of_memory_is_said(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    def swell() -> Diagnosis:
        raise MemoryError

    bench.answer = swell
    assert bench.run() == 2
    assert "memory" in one_sentence(capsys)


def test_control_c_ends_quietly_with_130(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    # POSIX shells report a process that was ended by signal 2 as 128 + 2.
    def interrupted() -> Diagnosis:
        raise KeyboardInterrupt

    bench.answer = interrupted
    assert bench.run() == 130
    assert capsys.readouterr().out == ""


def test_a_full_disk_is_one_sentence(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    full = Path("/dev/full")
    if not full.exists():
        pytest.skip("no /dev/full on this system")
    assert bench.run("--json", str(full)) == 2
    assert "--json /dev/full cannot be written: No space left" in one_sentence(capsys)


def test_an_older_result_survives_a_write_that_fails(
    bench: Bench, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    def half(diagnosis: Diagnosis, path: Path) -> None:
        path.write_bytes(b"half a pic")
        raise OSError(28, "No space left on device")

    old = bench.folder / "out.png"
    old.write_bytes(b"last week's")
    monkeypatch.setattr("vibeorder.report.save_figure", half)
    before = sorted(bench.folder.iterdir())
    assert bench.run("--plot", str(old)) == 2
    assert "cannot be written: No space left" in one_sentence(capsys)
    assert old.read_bytes() == b"last week's"
    assert sorted(bench.folder.iterdir()) == before


def test_wrong_usage_is_plain_and_exits_2(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["diagnose"], ["diagnose", "a.csv", "--vehicle"], ["diagnoze"], ["rates", "--gear", "x"]):
        assert main(words) == 2
        err = capsys.readouterr().err
        assert err.count("\n") == 1 and err.endswith(" --help lists what can be typed\n")
        assert "Traceback" not in err and "Input should" not in err


def test_a_group_without_a_command_shows_its_help_and_exits_2(capsys: pytest.CaptureFixture[str]) -> None:
    for words in ([], ["bench"], ["job"]):
        assert main(words) == 2
        assert capsys.readouterr().err.startswith("Usage: vibeorder")


def test_rates_agree_with_arithmetic_by_hand(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    truck = tmp_path / "truck.toml"
    truck.write_text(TRUCK.replace('size = "275/65R18"', "revs_per_mile = 660"))
    assert main(["rates", "--vehicle", str(truck), "--speed", "60 mph", "--gear", "7"]) == 0
    rows = {line.split("  ")[0]: line.split() for line in capsys.readouterr().out.splitlines()[3:]}
    # A mile a minute at 660 turns a mile is 660 rpm; times the axle ratio 3.55 is 2343 rpm; 1.00 gear.
    assert rows["tire or wheel"][3] == "660"
    assert rows["driveshaft"][1] == "2343"
    # Eight cylinders, four strokes: four firings a turn (J. B. Heywood, 1988, from memory): 4 x 2343 / 60.
    assert rows["engine"][1:] == ["2343", "39.05", "78.10", "117.15", "156.2", rows["engine"][6]]


def test_a_gear_that_does_not_exist_is_said(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["rates", "--vehicle", str(bench.vehicle), "--speed", "60 mph", "--gear", "12"]) == 2
    assert "gear 12" in one_sentence(capsys)


def test_version_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["version"], ["--version"]):
        assert main(words) == 0
        assert capsys.readouterr().out == f"vibeorder {__version__}\n"


def program(*words: str, **more: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "vibeorder.cli", *words],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, env={**os.environ, **more},
        cwd=Path(__file__).resolve().parents[1],
    )  # fmt: skip


def test_a_reader_that_leaves_early_hears_no_complaint() -> None:
    run = program("version")
    assert run.stdout is not None
    assert run.stderr is not None
    run.stdout.close()
    assert run.stderr.read() == b""
    run.stderr.close()
    assert run.wait() == 141


def test_an_old_code_page_breaks_no_report(tmp_path: Path) -> None:
    truck = tmp_path / "truck.toml"
    truck.write_text(TRUCK.replace("Marlow", "Märlow"), encoding="utf-8")
    run = program("rates", "--vehicle", str(truck), "--speed", "60 mph", PYTHONIOENCODING="ascii")
    out, err = run.communicate()
    assert (run.returncode, err) == (0, b"")
    assert b"M?rlow" in out


def test_help_needs_nothing_heavy() -> None:
    heavy = {"numpy", "scipy", "pandas", "matplotlib", "soundfile", "av", "rich"}
    code = f"import sys, vibeorder.cli as c; c.main(['--help']); sys.exit(str({heavy} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.stderr.strip() == "set()"
    assert "diagnose" in run.stdout


def test_a_diagnosis_imports_only_what_it_uses() -> None:
    samples = Path(__file__).resolve().parents[1] / "sample_data"
    unused = {
        "pandas",
        "matplotlib",
        "vibeorder.diagnosis.infer",
        "vibeorder.diagnosis.why",
        "vibeorder.report.sheet",
    }
    words = ["diagnose", str(samples / "tire.csv"), "--vehicle", str(samples / "truck.toml")]
    code = f"import sys, vibeorder.cli as c; c.main({words}); sys.exit(str({unused} & set(sys.modules)))"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.stderr.strip() == "set()"


@pytest.mark.parametrize("room", ["vibeorder.report", "vibeorder.spectrum"])
def test_what_is_imported_late_is_there_and_nothing_else(room: str) -> None:
    package = import_module(room)
    assert all(callable(getattr(package, name)) for name in package.__all__ if not name.isupper())
    with pytest.raises(AttributeError, match="no attribute 'lever'"):
        _ = package.lever


def test_a_room_is_listed_without_being_imported_and_opened_when_called(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    code = (
        "import typer\n"
        "app = typer.Typer(rich_markup_mode=None, help='Tools of the annex.')\n"
        "@app.command()\n"
        "def lever() -> None:\n    'Pull the lever.'\n    print('pulled')\n"
        "@app.command()\n"
        "def jam() -> None:\n    'Jam it.'\n    from vibeorder.errors import VibeorderError\n"
        "    raise VibeorderError('the lever is jammed; oil it')\n"
    )
    (tmp_path / "annex_room.py").write_text(code)
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.setitem(ROOMS, "annex", ("annex_room", "What stands in the annex."))
    monkeypatch.setitem(ROOMS, "cellar", ("no_such_room", "Never built."))
    assert main(["--help"]) == 0
    said = capsys.readouterr().out
    assert "What stands in the annex." in said
    assert "cellar" not in said
    assert "annex_room" not in sys.modules
    assert main(["annex", "lever"]) == 0
    assert capsys.readouterr().out == "pulled\n"
    assert main(["annex", "jam"]) == 2
    assert one_sentence(capsys) == "the lever is jammed; oil it"
    assert main(["cellar"]) == 2
    del sys.modules["annex_room"]


def test_twins_are_shown_as_one_group(bench: Bench, capsys: pytest.CaptureFixture[str]) -> None:
    bench.answer = twins
    assert bench.run() == 0
    assert "cannot be told apart" in capsys.readouterr().out
