"""`vibeorder job ...` and --job on the other commands: one clear sentence each, and the job afterwards."""

import json
import sqlite3
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from casebook_examples import NOW, odd_entries
from report_examples import bent_flange

import vibeorder.diagnosis
import vibeorder.recording
from vibeorder.casebook import Entry, Job, open_casebook, runout_on_record
from vibeorder.cli import main
from vibeorder.recording import Quality, Recording

TRUCK = '[vehicle]\nname = "Marlow half-ton"\nlayout = "rwd"\n[tire]\nsize = "275/65R18"\n'
TRUE_TUBE = ("bench", "runout", "--readings", "0 2 5 7 6 4 1 -1 thou", "--place", "tube_rear")
BALANCE = ("bench", "balance", "--reference", "3.4@116", "--run", "2 g@0 = 1.8@42")


class Shop:
    """A folder with a casebook, a vehicle and a recording; commands are run in it."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder, self.capsys = folder, capsys
        self.book = folder / "shop.sqlite"
        (folder / "truck.toml").write_text(TRUCK)
        shake = [f"{i / 100},{i % 7},{i % 5},{9.8 + i % 3}\n" for i in range(900)]
        head = "time (s),ax (m/s^2),ay (m/s^2),az (m/s^2)\n"
        (folder / "drive.csv").write_text(head + "".join(shake))

    def run(self, *words: str, code: int = 0) -> str:
        """What was said on stdout, or, where it fails, the one sentence on stderr."""
        assert main([*words, "--casebook", str(self.book)]) == code
        said = self.capsys.readouterr()
        if code:
            assert said.out == ""
            assert said.err.count("\n") == 1
        return said.err if code else said.out

    def job(self) -> Any:
        return json.loads(self.run("job", "show", "1", "--json", "-"))

    def path(self, name: str) -> str:
        return str(self.folder / name)


@pytest.fixture
def shop(tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Shop:
    monkeypatch.delenv("VIBEORDER_CASEBOOK", raising=False)
    one = Shop(tmp_path, capsys)
    one.run("job", "new", "--complaint", "shakes at 60", "--vehicle", one.path("truck.toml"))
    return one


def test_every_command_says_one_sentence_and_the_job_tells_the_story(shop: Shop) -> None:
    said = [
        shop.run("job", "new", "--complaint", "hums"),
        shop.run("job", "add-recording", "1", shop.path("drive.csv")),
        shop.run("job", "decide", "1", "dial indicator on the flange"),
        shop.run("job", "cure", "1", "shaft turned half a turn"),
        shop.run("job", "close", "1"),
        shop.run("job", "close", "1", "--undo"),
        shop.run("job", "export", "1", shop.path("out")),
        shop.run("job", "import", shop.path("out")),
    ]
    assert [text.count("\n") for text in said] == [1] * len(said)
    story = shop.run("job", "show", "1").splitlines()
    assert story[0] == "Job 1 (open), Marlow half-ton: shakes at 60"
    happened = [line.split("  ")[2].split(":")[0].split(",")[0] for line in story[1:]]
    assert happened == ["opened", "recording before the repair", "decision", "cure", "closed", "reopened"]
    assert [line.split()[0] for line in shop.run("job", "list").splitlines()] == ["2", "1"]


def test_whatever_a_casebook_holds_a_job_is_shown_closed_and_carried_away(shop: Shop) -> None:
    with open_casebook(shop.book) as book:
        for kind, body in odd_entries():
            book.add(1, kind, body, NOW)
    assert len(shop.run("job", "show", "1").splitlines()) == 2 + len(odd_entries())
    runout_on_record(Job(1, "", "", "", "", "", tuple(Entry(k, "", b) for k, b in odd_entries())))
    assert "the last comparison says: nothing that can be read" in shop.run("job", "close", "1")
    shop.run("job", "export", "1", shop.path("out.json"))
    assert len(json.loads((shop.folder / "out.json").read_text())["entries"]) == 1 + len(odd_entries())


def test_a_body_that_is_no_object_is_one_sentence_and_nothing_is_closed(shop: Shop) -> None:
    shop.run("job", "cure", "1", "shaft turned")
    with sqlite3.connect(shop.book) as db:
        db.execute("UPDATE entry SET body = '[1'")
    db.close()
    for words in (("show", "1"), ("close", "1")):
        assert "an entry of job 1" in shop.run("job", *words, code=2)
    with sqlite3.connect(shop.book) as db:
        assert db.execute("SELECT count(*) FROM entry").fetchone() == (1,)
    db.close()


@pytest.mark.parametrize("verdict", ["cured", "worse"])
def test_closing_says_what_the_last_comparison_said(shop: Shop, verdict: str) -> None:
    with open_casebook(shop.book) as book:
        book.add(1, "comparison", {"result": {"verdict": verdict}}, NOW)
    assert f"the last comparison says: {verdict}." in shop.run("job", "close", "1")


def test_a_job_with_half_a_character_is_refused_and_nothing_is_written(shop: Shop) -> None:
    shop.run("job", "export", "1", shop.path("out.json"))
    content = json.loads((shop.folder / "out.json").read_text())
    for key in ("complaint", "vehicle_name", "vehicle_profile", "opened_at"):
        (shop.folder / "odd.json").write_text(json.dumps(content | {key: "x\ud800", "uid": "f" * 32}))
        assert f"{key} holds half a character" in shop.run("job", "import", shop.path("odd.json"), code=2)
    assert len(shop.run("job", "list").splitlines()) == 1


def test_closing_without_a_second_recording_says_that_nothing_proves_the_repair(shop: Shop) -> None:
    assert "without a second recording" in shop.run("job", "close", "1")


def test_a_bench_result_is_kept_with_its_command_and_what_was_typed(shop: Shop) -> None:
    said = shop.run(*TRUE_TUBE, "--job", "1", "--limit", "20 thou")
    assert said.endswith("Kept in job 1: runout.\n")
    body = shop.job()["entries"][0]["body"]
    assert body["command"] == "runout"
    assert body["inputs"]["readings"] == "0 2 5 7 6 4 1 -1 thou"
    assert body["inputs"]["limit"] == "20 thou"
    assert body["result"]["result"]["verdict"] == "within"


def test_json_on_standard_output_stays_json_when_it_is_kept_too(shop: Shop) -> None:
    assert json.loads(shop.run(*TRUE_TUBE, "--job", "1", "--json", "-"))["command"] == "runout"
    assert len(shop.job()["entries"]) == 1


def test_an_earlier_bench_result_can_be_put_on_record(shop: Shop) -> None:
    assert main([*TRUE_TUBE, "--json", shop.path("r.json")]) == 0
    shop.run("job", "add-reading", "1", shop.path("r.json"))
    assert shop.job()["entries"][0]["body"]["result"]["sentence"].startswith("Shaft tube")


def warned(shop: Shop, *words: str) -> bool:
    return "No runout check within limits is on record" in shop.run(*BALANCE, *words)


def test_balancing_warns_until_the_job_has_its_runout_within_limits(shop: Shop) -> None:
    assert warned(shop, "--job", "1")
    shop.run(*TRUE_TUBE, "--limit", "4 thou", "--job", "1")
    assert warned(shop, "--job", "1")  # 8 thou: over
    shop.run(*TRUE_TUBE, "--limit", "20 thou", "--job", "1")
    assert not warned(shop, "--job", "1")


def test_one_place_over_its_limit_keeps_the_warning_though_another_is_within(shop: Shop) -> None:
    shop.run(*TRUE_TUBE, "--limit", "20 thou", "--job", "1")
    flange = (*TRUE_TUBE[:-1], "flange_face", "--limit", "4 thou", "--job", "1")
    shop.run(*flange)
    assert warned(shop, "--job", "1")


def test_a_diagnosis_is_kept_with_the_recordings_fingerprint(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    quality = Quality(100.0, 100.0)
    samples = Recording(
        np.zeros((1, 900)), 100.0, "m/s^2", "acceleration", ("x",), np.ones(900, bool), quality, "drive.csv"
    )
    monkeypatch.setattr(vibeorder.recording, "read_recording", lambda path, options: samples)
    monkeypatch.setattr(vibeorder.diagnosis, "diagnose", lambda *a, **k: bent_flange())
    shop.run(
        "diagnose", shop.path("drive.csv"), "--vehicle", shop.path("truck.toml"), "--speed", "60 mph",
        "--job", "1",
    )  # fmt: skip
    (entry,) = shop.job()["entries"]
    assert entry["kind"] == "recording"
    assert entry["body"]["name"] == "drive.csv"
    assert len(entry["body"]["sha256"]) == 64
    assert entry["body"]["inputs"] == {"vehicle": "truck.toml", "speed": "60 mph"}
    assert entry["body"]["diagnosis"]["verdict"] == bent_flange().verdict
    assert str(shop.folder) not in json.dumps(entry)


def test_a_kept_file_comes_out_of_the_export_as_it_went_in(shop: Shop) -> None:
    shop.run("job", "add-recording", "1", shop.path("drive.csv"), "--keep-file", "--after")
    for target in ("out", "out.json"):
        shop.run("job", "export", "1", shop.path(target))
        other = shop.path(f"{target}.sqlite")
        assert main(["job", "import", shop.path(target), "--casebook", other]) == 0
        assert main(["job", "export", "1", shop.path(f"again-{target}"), "--casebook", other]) == 0
    (kept,) = (shop.folder / "again-out" / "recordings").iterdir()
    assert kept.read_bytes() == (shop.folder / "drive.csv").read_bytes()
    assert (shop.folder / "again-out" / "vehicle.toml").read_text() == TRUCK
    assert Path(shop.path("again-out.json")).read_bytes() == Path(shop.path("out.json")).read_bytes()


def test_the_casebook_is_found_by_option_then_by_variable_then_here(
    shop: Shop, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(shop.folder)
    assert main(["job", "list"]) == 2
    assert "there is no casebook casebook.sqlite" in capsys.readouterr().err
    monkeypatch.setenv("VIBEORDER_CASEBOOK", str(shop.book))
    assert main(["job", "list"]) == 0
    assert "shakes at 60" in capsys.readouterr().out
    assert main(["job", "new", "--complaint", "x", "--casebook", "other.sqlite"]) == 0
    assert (shop.folder / "other.sqlite").exists()


MISTAKES: dict[str, tuple[tuple[str, ...], str]] = {
    "no such job": (("job", "show", "7"), "there is no job 7"),
    "bench into no job": ((*TRUE_TUBE, "--job", "7"), "there is no job 7"),
    "a casebook without a job": (TRUE_TUBE, "--job N says in which job"),
    "an empty decision": (("job", "decide", "1", " "), "decision is empty"),
    "a recording that is not there": (("job", "add-recording", "1", "none.csv"), "no file none.csv"),
    "two recordings, one diagnosis": (
        ("job", "add-recording", "1", "a", "b", "--diagnosis", "c"), "belongs to one recording"
    ),
    "a result that is not there": (("job", "add-reading", "1", "none.json"), "none.json cannot be read"),
    "an import that is not there": (("job", "import", "none.json"), "none.json cannot be read"),
    "an export into nowhere": (("job", "export", "1", "no/where/out.json"), "there is no folder"),
}  # fmt: skip


@pytest.mark.parametrize(("words", "says"), MISTAKES.values(), ids=MISTAKES)
def test_a_mistake_is_one_sentence_and_changes_nothing(shop: Shop, words: tuple[str, ...], says: str) -> None:
    before = shop.job()
    assert says in shop.run(*words, code=2)
    assert shop.job() == before


def test_a_closed_job_is_said_before_any_work(shop: Shop) -> None:
    shop.run("job", "close", "1")
    assert "job 1 is closed" in shop.run(*TRUE_TUBE, "--job", "1", code=2)


def test_an_export_never_overwrites_a_folder_or_the_casebook(shop: Shop) -> None:
    (shop.folder / "out").mkdir()
    assert "is there already" in shop.run("job", "export", "1", shop.path("out"), code=2)
    shop.book = shop.book.rename(shop.folder / "book.json")
    assert "would overwrite" in shop.run("job", "export", "1", shop.path("book.json"), code=2)
    assert shop.job()["complaint"] == "shakes at 60"


def test_no_output_overwrites_the_casebook(shop: Shop) -> None:
    for words in (("job", "list"), ("job", "show", "1"), (*TRUE_TUBE, "--job", "1")):
        assert "would overwrite" in shop.run(*words, "--json", str(shop.book), code=2)
    assert shop.job()["entries"] == []


def test_results_that_are_no_bench_results_are_refused(shop: Shop) -> None:
    for content, says in (
        ("{", "not JSON"),
        ("{}", "has no 'command'"),
        ('{"command": 1}', "not a bench result"),
        ('{"command": "compare", "sentence": "Cured."}', "vibeorder compare BEFORE AFTER --job N keeps one"),
        (
            '{"command": "runout", "sentence": "True.", "numbers": 3}',
            "result.numbers is a number, not an object",
        ),
        (
            '{"command": "runout", "sentence": "True.", "more": ' + "[" * 200 + "]" * 200 + "}",
            "nested deeper",
        ),
    ):
        (shop.folder / "r.json").write_text(content)
        said = shop.run("job", "add-reading", "1", shop.path("r.json"), code=2)
        assert says in said and "r.json" in said
    assert shop.job()["entries"] == []


def test_a_diagnosis_of_another_shape_is_refused_and_nothing_is_kept(shop: Shop) -> None:
    (shop.folder / "d.json").write_text('{"verdict": "It is the tire.", "suspects": {"part": "tire_wheel"}}')
    words = ("job", "add-recording", "1", shop.path("drive.csv"), "--diagnosis", shop.path("d.json"))
    assert "d.json: suspects is an object, not a list" in shop.run(*words, code=2)
    assert shop.job()["entries"] == []


def test_no_output_of_diagnose_may_overwrite_the_casebook(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    book = tmp_path / "c.png"
    assert main(["job", "new", "--complaint", "shakes", "--casebook", str(book)]) == 0
    kept = book.read_bytes()
    capsys.readouterr()
    words = ["drive.csv", "--vehicle", "car.toml", "--job", "1", "--casebook", str(book)]
    assert main(["diagnose", *words, "--why-plot", str(book)]) == 2
    assert f"--why-plot {book} would overwrite" in capsys.readouterr().err
    assert book.read_bytes() == kept
