"""An upload from the form to the answer, and everything that may be wrong with it."""

import asyncio
import contextlib
import errno
import io
import itertools
import json
import re
import struct
import tempfile
import threading
import time
import tomllib
import wave
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from patience import PATIENCE_S, await_that
from starlette.requests import Request
from web_children import warmed
from web_server import SAMPLES, Running, csrf_of, finished, running, upload_sample

from vibeorder.casebook import open_casebook
from vibeorder.errors import VibeorderError
from vibeorder.web.multipart import Upload, receive_upload
from vibeorder.web.settings import Limits

LIMITS = Limits(upload_bytes=3_000_000, decoded_s=120.0, unpacked_bytes=20_000_000, kept_results=40)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("shop"), limits=LIMITS) as one:
        yield one


@pytest.fixture
def client(server: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as one:
        yield one


def truck(server: Running) -> str:
    """Id of the saved sample truck."""
    found = [one.name for one in server.house.vehicles.all() if one.vehicle.name == "Ostrel Hauler"]
    if found:
        return found[0]
    return server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8"))).name


def send(
    client: httpx.Client, server: Running, name: str, content: bytes | io.BufferedReader, **fields: Any
) -> httpx.Response:
    """Upload one file as the form does."""
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), **fields}
    return client.post("/upload", data=data, files={"recording": (name, content)})


def outcome(client: httpx.Client, answer: httpx.Response) -> dict[str, Any]:
    """How the task of an accepted upload ended."""
    assert answer.status_code == 303, answer.text
    return finished(client, answer.headers["location"].rsplit("/", 1)[1])


def folders(server: Running) -> set[str]:
    """Everything that the page keeps of uploads."""
    return {path.name for path in server.house.store.root.iterdir()}


def sound(seconds: float, rate_hz: int = 8000) -> bytes:
    """A WAV of a faint square wave."""
    kept = io.BytesIO()
    with wave.open(kept, "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(1)
        file.setframerate(rate_hz)
        file.writeframes((b"\x80" * 50 + b"\x90" * 50) * int(seconds * rate_hz / 100))
    return kept.getvalue()


def said_on(page: httpx.Response) -> str:
    """The sentence in the page's alert, as read."""
    found = re.search(r'role="alert">(.*?)</p>', page.text, re.S)
    assert found, page.text
    return found.group(1).replace("&#39;", "'").replace("&#34;", '"')


def test_a_sample_goes_from_the_form_to_its_verdict(client: httpx.Client, server: Running) -> None:
    name = upload_sample(
        client, server.house, "tire.csv", gear="8", phone_place="floor, rear", complaint="shakes"
    )
    assert finished(client, name)["next"] == f"/result/{name}"
    folder = server.house.store.path(name)
    diagnosis = json.loads((folder / "1" / "diagnosis.json").read_text("utf-8"))
    assert diagnosis["suspects"][0]["part"] == "tire_wheel"
    assert diagnosis["recording"]["source"] == "tire.csv"
    asked = server.house.store.read_json(name, "request.json")["arguments"]
    assert (asked["phone_place"], asked["complaint"]) == ("floor, rear", "shakes")


def test_the_page_says_what_the_command_line_says(
    client: httpx.Client, server: Running, capsys: pytest.CaptureFixture[str]
) -> None:
    from vibeorder.cli import main

    name = upload_sample(client, server.house, "pinion_flange.csv", gear="7")
    finished(client, name)
    page = json.loads((server.house.store.path(name) / "1" / "diagnosis.json").read_text("utf-8"))
    files = [str(SAMPLES / one) for one in ("pinion_flange.csv", "truck.toml")]
    said = ["diagnose", files[0], "--vehicle", files[1], "--gear", "7", "--why", "--json", "-"]
    assert main(said) == 0
    assert page == json.loads(capsys.readouterr().out)


def test_several_recordings_and_one_that_cannot_be_read(client: httpx.Client, server: Running) -> None:
    files = [
        ("recording", ("good.csv", (SAMPLES / "tire.csv").read_bytes())),
        ("recording", ("bad.csv", b"no log")),
    ]
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8"}
    answer = client.post("/upload", data=data, files=files)
    assert outcome(client, answer)["state"] == "done"
    told = server.house.store.read_json(answer.headers["location"].rsplit("/", 1)[1], "summary.json")[
        "recordings"
    ]
    assert [one["name"] for one in told] == ["good.csv", "bad.csv"]
    assert "tire" in told[0]["verdict"] and told[1]["error"].startswith("bad.csv")


def test_a_speed_log_of_another_device_comes_along(client: httpx.Client, server: Running) -> None:
    rows = [line.split(",") for line in (SAMPLES / "tire.csv").read_text("utf-8").splitlines()]
    column = next(i for i, head in enumerate(rows[0]) if "speed" in head.lower())
    log = "\n".join(f"{row[0]},{row[column]}" for row in rows if row[column].strip())
    bare = "\n".join(",".join(cell for i, cell in enumerate(row) if i != column) for row in rows)
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8", "log_late": "0 s"}
    files = {"recording": ("shake.csv", bare.encode()), "speed_log": ("gps.csv", log.encode())}
    answer = client.post("/upload", data=data, files=files)
    said = outcome(client, answer)
    assert said["state"] == "done", said
    folder = server.house.store.path(answer.headers["location"].rsplit("/", 1)[1])
    diagnosis = json.loads((folder / "1" / "diagnosis.json").read_text("utf-8"))
    assert diagnosis["suspects"][0]["part"] == "tire_wheel"
    assert "recording-0" not in json.dumps(diagnosis)


NOT_RECORDINGS = {
    "empty.csv": b"",
    "notes.txt": b"shake at sixty, ask the boss",
    "photo.jpg": b"\xff\xd8\xff\xe0" + bytes(range(256)) * 40,
    "cut.wav": sound(30.0)[:60],
    "page.html": b"<html><script>alert(1)</script></html>",
    "movie.mp4": b"\0\0\0\x18ftypmp42" + b"\xff" * 4000,
    "cut.zip": b"PK\x03\x04" + b"\0" * 200,
    "deep.json": b"[" * 100_000,
    "short.csv": b"time,x,y,z\n" + b"".join(b"%.2f,0,0,9.8\n" % (i / 100) for i in range(100)),
}


@pytest.fixture(scope="module")
def refusals(server: Running) -> dict[str, str]:
    """What is said of each of NOT_RECORDINGS, sent beside a good recording."""
    said: dict[str, str] = {}
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        for some in (list(NOT_RECORDINGS)[:5], list(NOT_RECORDINGS)[5:]):
            files = [("recording", (name, NOT_RECORDINGS[name])) for name in some]
            files.append(("recording", ("tire.csv", (SAMPLES / "tire.csv").read_bytes())))
            data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8"}
            answer = client.post("/upload", data=data, files=files)
            assert outcome(client, answer)["state"] == "done"
            name = answer.headers["location"].rsplit("/", 1)[1]
            told = server.house.store.read_json(name, "summary.json")["recordings"]
            assert "verdict" in told[-1]
            said |= {one["name"]: one["error"] for one in told[:-1]}
    return said


@pytest.mark.parametrize("name", NOT_RECORDINGS)
def test_what_is_no_recording_is_one_sentence_that_names_it(refusals: dict[str, str], name: str) -> None:
    said = refusals[name]
    assert name in said and "recording-0" not in said and "Traceback" not in said
    assert "fault in vibeorder" not in said


def test_a_sentence_names_the_fields_of_the_page_not_options(client: httpx.Client, server: Running) -> None:
    rows = b"".join(b"%d,%d\n" % (i, i % 7) for i in range(3000))
    said = outcome(client, send(client, server, "odd.csv", b"a,b\n" + rows))
    assert said["state"] == "failed" and "--" not in said["error"]
    assert "the field “" in said["error"]


def test_a_zip_that_unpacks_to_too_much_is_refused_unread(client: httpx.Client, server: Running) -> None:
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED, compresslevel=9) as bomb:
        for i in range(40):
            bomb.writestr(f"acc{i}.csv", b"0" * 1_000_000)
    assert len(kept.getvalue()) < 100_000
    said = outcome(client, send(client, server, "bomb.zip", kept.getvalue()))
    assert said["state"] == "failed" and "unpacks to 40 files of 40 MB" in said["error"]


def test_a_zip_that_lies_about_its_size_does_no_harm(client: httpx.Client, server: Running) -> None:
    kept = io.BytesIO()
    with zipfile.ZipFile(kept, "w", zipfile.ZIP_DEFLATED) as bomb:
        bomb.writestr("acc.csv", b"0" * 10_000_000)
    # both headers say 10 bytes (APPNOTE 4.3.7 and 4.3.12: uncompressed size)
    lying = kept.getvalue().replace(struct.pack("<I", 10_000_000), struct.pack("<I", 10))
    assert outcome(client, send(client, server, "lying.zip", lying))["state"] == "failed"
    assert client.get("/").status_code == 200


def test_sound_that_decodes_to_more_than_the_limit_is_refused(client: httpx.Client, server: Running) -> None:
    said = outcome(client, send(client, server, "long.wav", sound(180.0), speed="60 mph"))
    assert said["state"] == "failed" and "lasts 3 minutes" in said["error"]


def test_a_log_longer_than_the_limit_is_refused_after_reading(client: httpx.Client, server: Running) -> None:
    rows = b"".join(b"%.2f,%d,0,9.8\n" % (i / 50, i % 5) for i in range(9000))
    said = outcome(client, send(client, server, "long.csv", b"time,x,y,z\n" + rows))
    assert said["state"] == "failed" and "lasts 3 minutes" in said["error"]


HOSTILE_NAMES = (
    "../../../evil.csv",
    "..\\..\\evil.csv",
    "/etc/evil.csv",
    "a\0b.csv",
    "con",
    ".",
    "x" * 4000,
    "é\u202e.csv",
)


def test_a_file_name_is_shown_and_never_a_path(client: httpx.Client, server: Running) -> None:
    mark = "XX"
    fields = {"csrf_token": csrf_of(client), "vehicle": truck(server)}
    body = "".join(
        f'--{mark}\r\nContent-Disposition: form-data; name="{k}"\r\n\r\n{v}\r\n' for k, v in fields.items()
    )
    for name in HOSTILE_NAMES:
        body += (
            f'--{mark}\r\nContent-Disposition: form-data; name="recording"; filename="{name}"\r\n\r\nno\r\n'
        )
    body += f"--{mark}--\r\n"
    kind = {"Content-Type": f"multipart/form-data; boundary={mark}"}
    before = folders(server)
    answer = client.post("/upload", content=body.encode(), headers=kind)
    assert outcome(client, answer)["state"] == "failed"
    (made,) = folders(server) - before
    files = {path.name for path in (server.house.store.root / made).iterdir()}
    ours = {f"recording-{i:02d}" for i in range(1, 1 + len(HOSTILE_NAMES))}
    assert files == {*ours, "request.json", "state.json"}
    for one in server.house.store.read_json(made, "request.json")["arguments"]["recordings"]:
        shown = one["name"]
        assert len(shown) <= 80 and "/" not in shown and "\\" not in shown and shown.isprintable()


def test_a_file_name_is_escaped_where_it_is_shown(client: httpx.Client, server: Running) -> None:
    answer = send(client, server, "<img src=x onerror=alert(1)>.csv", b"no log")
    outcome(client, answer)
    page = client.get(answer.headers["location"]).text
    assert "<img" not in page and "&lt;img" in page


WRONG_FIELDS = [
    ({"speed": "sixty"}, "Speed 'sixty'"),
    ({"speed": "600 mph"}, "outside"),
    ({"gear": "R"}, "gear"),
    ({"gear": "99"}, "gear"),
    ({"vehicle": "../../x"}, "saved vehicle"),
    ({"vehicle": ""}, "tire size"),
    ({"vehicle": "", "layout": "rwd", "tire_size": "275/65R18", "axle_ratio": "37.3"}, "did you mean 3.73"),
    ({"job": "77"}, "no open job 77"),
    ({"job": "new", "complaint": ""}, "complaint"),
    ({"complaint": "x" * 1001}, "longer than 1000"),
    ({"log_late": "1 s"}, "no speed log"),
    ({"axes": "a,b,c,d"}, "one to three"),
    ({"rate": "-5 Hz"}, "above zero"),
]


@pytest.mark.parametrize(("fields", "words"), WRONG_FIELDS, ids=[str(f)[:40] for f, _ in WRONG_FIELDS])
def test_a_wrong_field_is_named_and_what_was_typed_and_sent_is_kept(
    client: httpx.Client, server: Running, fields: dict[str, str], words: str
) -> None:
    data = {"phone_place": "floor, rear", "complaint": "hum <b>", **fields}
    answer = send(client, server, "tire.csv", (SAMPLES / "tire.csv").read_bytes(), **data)
    assert answer.status_code == 422
    assert words in said_on(answer)
    assert "Here already" in answer.text and "tire.csv" in answer.text
    assert "<option selected>floor, rear" in answer.text
    if "complaint" not in fields:
        assert "hum &lt;b&gt;</textarea>" in answer.text


def test_a_mended_form_needs_no_second_upload(client: httpx.Client, server: Running) -> None:
    first = send(client, server, "tire.csv", (SAMPLES / "tire.csv").read_bytes(), speed="sixty")
    again = re.search(r'name="again" id="again" value="([0-9a-f]{24})"', first.text)
    assert again
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8", "again": again[1]}
    second = client.post("/upload", data=data, files={"recording": ("", b"")})
    assert outcome(client, second)["state"] == "done"
    assert again[1] not in folders(server)  # it only waited for its form


def test_a_finished_recording_can_be_judged_again_with_another_gear(
    client: httpx.Client, server: Running
) -> None:
    name = upload_sample(client, server.house, "tire.csv", gear="7", complaint="hums")
    finished(client, name)
    page = client.get(f"/again/{name}")
    assert "tire.csv" in page.text and 'value="7"' in page.text and "hums</textarea>" in page.text
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server), "gear": "8", "again": name}
    assert (
        outcome(client, client.post("/upload", data=data, files={"recording": ("", b"")}))["state"] == "done"
    )
    assert name in folders(server)


def test_an_upload_over_the_size_limit_leaves_nothing_behind(client: httpx.Client, server: Running) -> None:
    token, before = csrf_of(client), folders(server)
    head = b'--XX\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n' + token.encode() + b"\r\n"
    head += b'--XX\r\nContent-Disposition: form-data; name="recording"; filename="a.csv"\r\n\r\n'

    def endless() -> Iterator[bytes]:
        yield head
        for _ in range(60):
            yield b"0" * 100_000

    kind = {"Content-Type": "multipart/form-data; boundary=XX"}
    assert client.post("/upload", content=endless(), headers=kind).status_code == 413
    assert folders(server) == before


def test_an_upload_that_breaks_off_leaves_nothing_behind(client: httpx.Client, server: Running) -> None:
    token, before = csrf_of(client), folders(server)
    body = (
        f'--XX\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n{token}\r\n--XX\r\nContent-Dispos'
    )
    answer = client.post(
        "/upload", content=body.encode(), headers={"Content-Type": "multipart/form-data; boundary=XX"}
    )
    assert answer.status_code == 422 and "broke off" in answer.text
    assert folders(server) == before


def test_a_sender_who_hangs_up_leaves_nothing_behind(client: httpx.Client, server: Running) -> None:
    import socket

    token, before = csrf_of(client), folders(server)
    cookie = "; ".join(f"{k}={v}" for k, v in client.cookies.items())
    host, port = server.url.removeprefix("http://").split(":")
    head = (
        f"POST /upload HTTP/1.1\r\nHost: {host}:{port}\r\nCookie: {cookie}\r\nContent-Length: 1000000\r\n"
        "Content-Type: multipart/form-data; boundary=XX\r\n\r\n"
        f'--XX\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n{token}\r\n'
        '--XX\r\nContent-Disposition: form-data; name="recording"; filename="a.csv"\r\n\r\n0000'
    )
    with socket.create_connection((host, int(port))) as line:
        line.sendall(head.encode())
        await_that(lambda: folders(server) != before)
    await_that(lambda: folders(server) == before)


def test_a_sender_who_stalls_is_let_go(tmp_path: Path) -> None:
    with (
        running(tmp_path, limits=Limits(upload_idle_s=0.3)) as server,
        httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client,
    ):
        token = csrf_of(client)

        def slow() -> Iterator[bytes]:
            yield f'--XX\r\nContent-Disposition: form-data; name="csrf_token"\r\n\r\n{token}\r\n--XX\r\n'.encode()
            time.sleep(1.0)
            yield b"too late"

        kind = {"Content-Type": "multipart/form-data; boundary=XX"}
        answer = client.post("/upload", content=slow(), headers=kind)
        assert answer.status_code == 422 and "stalled" in answer.text
        assert list(server.house.store.root.iterdir()) == []


def test_more_recordings_than_allowed_are_refused(client: httpx.Client, server: Running) -> None:
    data = {"csrf_token": csrf_of(client), "vehicle": truck(server)}
    before = folders(server)
    files = [("recording", (f"{i}.csv", b"x")) for i in range(2 * LIMITS.files + 1)]
    answer = client.post("/upload", data=data, files=files)
    assert answer.status_code == 422 and "at most 8" in answer.text
    assert folders(server) == before


def test_a_long_recording_does_not_block_the_page(client: httpx.Client, server: Running) -> None:
    """Pages come while it is worked on, each in a small part of its time: on a loaded machine both take longer."""
    name = upload_sample(client, server.house, "pinion_flange.csv", gear="7")
    page_s, begun = [], time.monotonic()
    while client.get(f"/api/tasks/{name}").json()["state"] not in ("done", "failed"):
        asked = time.monotonic()
        assert client.get("/vehicles").status_code == 200
        page_s.append(time.monotonic() - asked)
    assert len(page_s) >= 10
    assert max(page_s) < 0.3 * (time.monotonic() - begun)


def test_progress_rises_and_the_waiting_page_works_without_scripts(
    client: httpx.Client, server: Running
) -> None:
    name = upload_sample(client, server.house, "pinion_flange.csv", gear="7")
    page = client.get(f"/working/{name}")
    assert '<noscript><meta http-equiv="refresh" content="2"></noscript>' in page.text
    assert "<progress" in page.text
    shares = [0.0]
    while (said := client.get(f"/api/tasks/{name}").json())["state"] not in ("done", "failed"):
        shares.append(said["share"])
        time.sleep(0.02)
    assert shares == sorted(shares) and max(shares) > 0.1
    assert client.get(f"/working/{name}").headers["location"] == f"/result/{name}"


def test_a_complaint_becomes_a_job_that_remembers_the_drive(client: httpx.Client, server: Running) -> None:
    name = upload_sample(
        client, server.house, "tire.csv", gear="8", complaint="seat\nshakes at 65", job="new",
        phone_place="seat track, driver's side",
    )  # fmt: skip
    finished(client, name)
    number = server.house.store.read_json(name, "kept.json")["job"]
    after = upload_sample(client, server.house, "tire.csv", gear="8", job=str(number), role="after")
    finished(client, after)
    with open_casebook(server.house.casebook) as book:
        job = book.job(number)
    assert (job.complaint, job.vehicle_name) == ("seat shakes at 65", "Ostrel Hauler")
    first, second = job.of_kind("recording")
    assert (first.body["name"], first.body["role"], second.body["role"]) == ("tire.csv", "before", "after")
    assert first.body["inputs"]["phone_place"] == "seat track, driver's side"
    assert first.body["inputs"]["result"] == name
    assert first.body["diagnosis"]["suspects"][0]["part"] == "tire_wheel"


def test_uploads_in_a_row_leave_neither_files_nor_descriptors_nor_children(tmp_path: Path) -> None:
    import psutil

    limits, me = Limits(kept_results=3), psutil.Process()
    warmed()
    before = {child.pid for child in me.children(recursive=True)}  # of other tests in this process
    with (
        running(tmp_path, limits=limits) as server,
        httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client,
    ):
        server.house.vehicles.save(tomllib.loads((SAMPLES / "truck.toml").read_text("utf-8")))
        counts = []
        for _ in range(6):
            outcome(client, send(client, server, "tire.csv", b"no log"))
            counts.append((me.num_fds(), threading.active_count(), len(folders(server))))
        assert counts[-1][2] <= limits.kept_results + 1
        assert counts[-1][0] <= counts[2][0] + 1 and counts[-1][1] <= counts[2][1] + 1
        assert len({child.pid for child in me.children(recursive=True)} - before) <= 2


def test_a_full_disk_is_one_sentence_and_leaves_nothing(
    client: httpx.Client, server: Running, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> None:
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("vibeorder.web.multipart._Parts.part_end", full)
    before = folders(server)
    answer = send(client, server, "a.csv", b"x")
    assert answer.status_code == 507 and "make room" in answer.text
    assert folders(server) == before


def test_a_casebook_that_cannot_be_read_does_not_close_the_page(tmp_path: Path) -> None:
    with running(tmp_path) as server, httpx.Client(base_url=server.url, timeout=PATIENCE_S) as client:
        server.house.casebook.write_bytes(b"no database" * 100)
        assert client.get("/").status_code == 200


BOUNDARY = b"vibeorder-boundary"
names = st.text(st.characters(codec="utf-8", exclude_characters='"\r\n\\/\0'), min_size=1, max_size=20)
contents = st.binary(max_size=300).filter(lambda content: b"--" + BOUNDARY not in content)


def received(body: bytes, cuts: list[int], folder: Path) -> Upload:
    """A body that arrives in pieces, through the receiver."""
    edges = [0, *sorted({cut % (len(body) + 1) for cut in cuts}), len(body)]
    pieces = [body[a:b] for a, b in itertools.pairwise(edges)]
    messages = [{"type": "http.request", "body": piece, "more_body": True} for piece in pieces]
    messages.append({"type": "http.request", "body": b"", "more_body": False})

    async def receive() -> dict[str, Any]:
        return messages.pop(0)

    kind = b"multipart/form-data; boundary=" + BOUNDARY
    scope = {"type": "http", "method": "POST", "headers": [(b"content-type", kind)]}
    return asyncio.run(receive_upload(Request(scope, receive), folder, LIMITS))


def body_of(parts: list[tuple[str, bytes]]) -> bytes:
    """A form (RFC 7578) that sends every part as a file, and its number as a field."""
    body = b""
    for number, (name, content) in enumerate(parts):
        head = f'Content-Disposition: form-data; name="recording"; filename="{name}"'.encode()
        body += b"--%b\r\n%b\r\n\r\n%b\r\n" % (BOUNDARY, head, content)
        body += b'--%b\r\nContent-Disposition: form-data; name="f%d"\r\n\r\n%d\r\n' % (
            BOUNDARY,
            number,
            number,
        )
    return body + b"--%b--\r\n" % BOUNDARY


@given(
    st.lists(st.tuples(names, contents), min_size=1, max_size=4), st.lists(st.integers(0, 5000), max_size=6)
)
@example([("\x1f", b"")], [])
def test_however_an_upload_is_cut_into_packets_the_files_arrive_whole(
    parts: list[tuple[str, bytes]], cuts: list[int]
) -> None:
    # property: what was sent is what is on the disk, byte for byte, wherever the network cuts it
    with tempfile.TemporaryDirectory() as folder:
        upload = received(body_of(parts), cuts, Path(folder))
        assert [(Path(folder) / one.file).read_bytes() for one in upload.files] == [c for _, c in parts]
        assert [upload.fields[f"f{i}"] for i in range(len(parts))] == [str(i) for i in range(len(parts))]
        assert {path.name for path in Path(folder).iterdir()} == {one.file for one in upload.files}


@given(
    st.lists(st.tuples(st.integers(0, 5000), st.integers(0, 255)), min_size=1, max_size=8),
    st.integers(0, 5000),
)
def test_a_garbled_upload_ends_in_a_sentence_and_stays_in_its_folder(
    changes: list[tuple[int, int]], cut: int
) -> None:
    # property: no change of bytes leads to another error, or to a file elsewhere
    body = bytearray(body_of([("../../x.csv", b"1,2,3\n" * 20), ("y.csv", b"")]))
    for place, value in changes:
        body[place % len(body)] = value
    with tempfile.TemporaryDirectory() as outer:
        folder = Path(outer) / "in" / "in"
        folder.mkdir(parents=True)
        with contextlib.suppress(VibeorderError):
            received(bytes(body), [cut], folder)
        assert [path.name for path in Path(outer).iterdir()] == ["in"]
        assert all(re.fullmatch(r"recording-\d\d", path.name) for path in folder.iterdir())
