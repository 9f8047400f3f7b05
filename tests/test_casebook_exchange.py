"""A job taken elsewhere and back loses nothing, and what was changed on the way is not taken in.

JSON: RFC 8259; base64: RFC 4648; fingerprints: SHA-256 (FIPS 180-4), checked against the standard library.
"""

import base64
import hashlib
import json
import string
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
from casebook_examples import NOW, example_job
from hypothesis import given, settings
from hypothesis import strategies as st

from vibeorder.casebook import (
    KINDS,
    Entry,
    Job,
    as_files,
    as_json,
    open_casebook,
    read_export,
    recording_body,
)
from vibeorder.casebook.trouble import CasebookError

TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=40)
SAID = TEXT.filter(lambda text: bool(text.strip()))
VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXT,
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(TEXT, inner, max_size=4),
    max_leaves=10,
)
BODIES = st.dictionaries(TEXT.filter(lambda key: key != "kept"), VALUES, max_size=5)
ENTRIES = st.builds(Entry, st.sampled_from(KINDS), TEXT, BODIES)


@st.composite
def jobs(draw: st.DrawFn) -> tuple[Job, dict[str, bytes]]:
    """Any job, with recordings of any bytes kept whole under any name."""
    files = {hashlib.sha256(c).hexdigest(): c for c in draw(st.lists(st.binary(max_size=200), max_size=3))}
    kept = [Entry("recording", "", {"name": draw(TEXT), "sha256": s, "kept": True}) for s in files]
    uid = draw(st.text("0123456789abcdef", min_size=32, max_size=32))
    entries = (*draw(st.lists(ENTRIES, max_size=5)), *kept)
    return Job(0, uid, draw(TEXT), draw(SAID), draw(TEXT), draw(TEXT), entries), files


def write(folder: Path, files: dict[str, bytes]) -> Path:
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)
    return folder


@settings(max_examples=40, deadline=None)
@given(jobs(), st.booleans())
def test_any_job_survives_export_import_and_the_database_unchanged(
    case: tuple[Job, dict[str, bytes]], as_folder: bool
) -> None:
    job, files = case
    with TemporaryDirectory() as name:
        folder = Path(name)
        if as_folder:
            source = write(folder / "out", as_files(job, files))
        else:
            source = folder / "out.json"
            source.write_text(as_json(job, files), "utf-8", newline="")
        with open_casebook(folder / "c.sqlite", create=True) as book:
            number, new = book.put(*read_export(source))
            back = book.job(number)
            assert new
            assert replace(back, number=0) == job
            assert book.kept_files(back) == files
            assert as_json(back, book.kept_files(back)) == as_json(job, files)
            assert book.put(*read_export(source)) == (number, False)


def test_the_same_job_with_other_entries_is_not_merged_silently(tmp_path: Path) -> None:
    with open_casebook(tmp_path / "c.sqlite", create=True) as book:
        number, _ = book.put(example_job(), {})
        book.add(number, "decision", {"text": "one more"}, NOW)
        with pytest.raises(CasebookError, match=r"already in .* as number 1, with other entries"):
            book.put(example_job(), {})


def test_an_import_that_fails_leaves_nothing_behind(tmp_path: Path) -> None:
    bad = replace(example_job(), entries=(*example_job().entries, Entry("gossip", "", {})))
    with open_casebook(tmp_path / "c.sqlite", create=True) as book:
        with pytest.raises(CasebookError, match="no entry of kind 'gossip'"):
            book.put(bad, {})
        assert book.jobs() == ()


def changed(**fields: Any) -> str:
    data = json.loads(as_json(example_job(), {})) | fields
    return json.dumps({key: value for key, value in data.items() if value != "drop"})


def entry(kind: str, **body: Any) -> str:
    return changed(
        entries=[{"kind": "cure", "added_at": "", "body": {}}, {"kind": kind, "added_at": "", "body": body}]
    )


SUSPECT = {"part": "driveshaft", "order": "first", "probability": 1.0}
NESTED: dict[str, Any] = {}
for _ in range(300):
    NESTED = {"more": NESTED}
CASES = {
    "no JSON": ("time,x,y", "not JSON"),
    "other JSON": ("[1, 2]", "does not say"),
    "deep JSON": ("[" * 100_000, "not JSON"),
    "newer": (changed(schema=7), "newer vibeorder"),
    "no complaint": (changed(complaint="drop"), "missing or damaged"),
    "uid as path": (changed(uid="../../x"), "missing or damaged"),
    "entries gone": (changed(entries="drop"), "entries are missing"),
    "entry of a stranger": (changed(entries=[{"kind": "gossip", "added_at": "", "body": {}}]), "entry 1 is"),
    "entry without body": (changed(entries=[{"kind": "cure", "added_at": "", "body": 3}]), "entry 1 is"),
    "recording changed": (changed(files={"ab" * 32: base64.b64encode(b"x").decode()}), "changed or damaged"),
    "recording no base64": (changed(files={"ab" * 32: 7}), "changed or damaged"),
    "recordings a list": (changed(files=[1]), "kept recordings are damaged"),
    "half a character": (changed(complaint="shakes \ud800"), "complaint holds half a character"),
    "half a character within": (entry("cure", text="\udfff"), r"entries\[1\].body.text holds half a char"),
    "half a character as a name": (entry("cure", **{"\ud800": 1}), r"entries\[1\].body has a name with half"),
    "body nested too deep": (entry("cure", text=NESTED), "nested deeper"),
    "diagnosis a text": (
        entry("recording", diagnosis="tire"),
        r"entry 2 \(recording\) diagnosis is text, not an",
    ),
    "diagnosis a list": (entry("recording", diagnosis=[1]), "diagnosis is a list, not an object"),
    "diagnosis a number": (entry("recording", diagnosis=7), "diagnosis is a number, not an object"),
    "together a list": (entry("recording", together=[]), "together is a list, not an object"),
    "order a word": (
        entry("recording", diagnosis={"suspects": [SUSPECT]}),
        r"diagnosis.suspects\[0\].order is text, not a number",
    ),
    "comparison's result a list": (entry("comparison", result=[1]), "result is a list, not an object"),
    "comparison's recording a text": (entry("comparison", before="x"), "before is text, not an object"),
    "reading's result a number": (entry("reading", result=3.5), "result is a number, not an object"),
    "warnings no list": (
        entry("comparison", result={"warnings": True}),
        "warnings is true or false, not a list",
    ),
}


@pytest.mark.parametrize(("text", "says"), CASES.values(), ids=CASES)
def test_what_is_no_whole_job_is_refused_in_one_sentence(tmp_path: Path, text: str, says: str) -> None:
    path = tmp_path / "job.json"
    path.write_text(text)
    with pytest.raises(CasebookError, match=says) as caught:
        read_export(path)
    assert "\n" not in str(caught.value)
    assert str(path) in str(caught.value)


def test_a_kept_recording_that_was_changed_in_the_folder_is_missed(tmp_path: Path) -> None:
    content = b"time,x\n0,1\n"
    sha256 = hashlib.sha256(content).hexdigest()
    entry = Entry("recording", "", {"name": "../drive one.csv", "sha256": sha256, "kept": True})
    folder = write(tmp_path / "out", as_files(replace(example_job(), entries=(entry,)), {sha256: content}))
    (kept,) = (folder / "recordings").iterdir()
    assert set(kept.name) <= set(string.ascii_letters + string.digits + "._-")
    assert read_export(folder)[1] == {sha256: content}
    kept.write_bytes(content + b"0,2\n")
    with pytest.raises(CasebookError, match=r"drive one.csv is missing or was changed"):
        read_export(folder)


def test_a_recording_is_known_by_its_content_and_not_by_where_it_lay(tmp_path: Path) -> None:
    (tmp_path / "drive.csv").write_bytes(b"time,x\n0,1\n")
    body = recording_body(tmp_path / "drive.csv", history=("mended",))
    assert body["sha256"] == hashlib.sha256(b"time,x\n0,1\n").hexdigest()
    assert (body["name"], body["bytes"], body["history"]) == ("drive.csv", 11, ["mended"])
    assert str(tmp_path) not in json.dumps(body)


def test_what_json_cannot_carry_is_kept_as_what_it_can(tmp_path: Path) -> None:
    with open_casebook(tmp_path / "c.sqlite", create=True) as book:
        job = book.add_job("half a character \ud800", "", "", NOW)
        book.add(job, "decision", {"a": float("nan"), "b": (1, Path("x")), "c": float("inf")}, NOW)
        kept = book.job(job)
    assert kept.complaint == "half a character ?"
    assert kept.entries[0].body == {"a": None, "b": [1, "x"], "c": None}
