"""The measuring sheets: the page answers what the library and the command line answer. Sources beside each check."""

import html
import json
import re
from collections.abc import Iterator
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from patience import PATIENCE_S
from typer.testing import CliRunner
from web_server import Running, csrf_of, running

from vibeorder.bench import (
    SAFETY_FRACTION,
    SHAFT_GRADE,
    JointLimits,
    answer_halfturn,
    answer_mate,
    answer_runout,
    may_balance,
)
from vibeorder.bench_cli import app as bench_app
from vibeorder.casebook import open_casebook
from vibeorder.errors import VibeorderError
from vibeorder.vehicle import BALANCE_ONLY_FIRST_ORDER, RUNOUT_BEFORE_BALANCE
from vibeorder.web.bench_answers import WHERE_EMPTY
from vibeorder.web.bench_form import SHEETS, FormError, inputs_of
from vibeorder.web.jobs_common import now

READ = "0 2 5 7 6 4 1 -1"
CELLS = {f"c{i}": text for i, text in enumerate(READ.split())}


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Running]:
    with running(tmp_path_factory.mktemp("bench")) as one:
        yield one


@pytest.fixture(scope="module")
def client(server: Running) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=server.url, timeout=PATIENCE_S) as one:
        yield one


def send(client: httpx.Client, sheet: str, **fields: str) -> httpx.Response:
    """Fill in a sheet and press the button."""
    data = {"csrf_token": csrf_of(client, "/bench/runout"), "do": "work", **fields}
    return client.post(f"/bench/{sheet}", data=data)


def said(answer: httpx.Response) -> str:
    """The page's text without its tags."""
    return html.unescape(re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", answer.text)))


def live(client: httpx.Client, sheet: str, **fields: str) -> dict[str, Any]:
    """What the script is told while one types."""
    token = csrf_of(client, "/bench/runout")
    answer = client.post(f"/bench/{sheet}/live", data=fields, headers={"X-CSRF-Token": token})
    assert answer.status_code == 200, answer.text
    told: dict[str, Any] = answer.json()
    return told


def new_job(server: Running, complaint: str = "shakes at 60 mph") -> int:
    with open_casebook(server.house.casebook, create=True) as book:
        return book.add_job(complaint, "", "", now())


def test_cells_round_the_clock_are_answered_as_the_same_line_of_text_is(client: httpx.Client) -> None:
    expected = answer_runout(f"{READ} thou", place="tube_rear", limit="4 thou").sheet
    page = said(send(client, "runout", place="tube_rear", limit="4 thou", **CELLS))
    assert expected.sentence in page
    assert all(f"{name} {value}" in page for name, value in expected.numbers)
    line = said(send(client, "runout", place="tube_rear", limit="4", readings=READ, unit="thou"))
    assert expected.sentence in line


@pytest.mark.parametrize("counting", ["degrees", "clock", "bolts"])
@pytest.mark.parametrize("count", [4, 6, 12, 24])
def test_any_number_of_places_by_any_name_gives_the_same_runout(
    client: httpx.Client, count: int, counting: str
) -> None:
    cells = {f"c{i}": f"{(i * 7) % 5 - 1}" for i in range(count)}
    told = live(client, "runout", count=str(count), counting=counting, unit="mm", limit="9 mm", **cells)
    expected = answer_runout(" ".join(cells.values()) + " mm", limit="9 mm").sheet
    assert (
        dict(map(tuple, told["numbers"]))["total indicator reading"]
        == dict(expected.numbers)["total indicator reading"]
    )


def test_an_empty_cell_is_left_out_and_the_others_keep_their_places(client: httpx.Client) -> None:
    cells = {name: text for name, text in CELLS.items() if name not in ("c2", "c5")}
    expected = answer_runout("0:0 45:2 135:7 180:6 270:1 315:-1 thou").sheet
    assert live(client, "runout", **cells)["sentence"] == expected.sentence


def test_what_is_typed_so_far_is_drawn_before_it_can_be_answered(client: httpx.Client) -> None:
    told = live(client, "runout", c0="0", c1="2", c2="5")
    assert "sentence" not in told and told["pictures"][0].count('class="read"') == 3
    assert "at least 4 places" in told["trouble"]["readings"]


def test_the_picture_while_typing_is_the_one_on_the_page(client: httpx.Client) -> None:
    told = live(client, "runout", place="tube_rear", **CELLS)
    page = send(client, "runout", place="tube_rear", **CELLS)
    assert told["pictures"][0] in page.text and told["sentence"] in said(page)


def test_a_fan_is_balanced_as_printed(client: httpx.Client) -> None:
    """Kelm, Kelm and Pavelek, Rotor Balancing Tutorial, 2016, p. 7-8: 58.24 at 341.9 against 74 at 315."""
    fields = {
        "ref_size": "5.6",
        "ref_phase": "135",
        "r1_weight": "74",
        "r1_at": "315",
        "r1_size": "3.3",
        "r1_phase": "238",
    }
    page = said(send(client, "balance", runout_checked="yes", order="1", **fields))
    weight, angle = re.findall(r"put ([\d.]+) g at (\d+) deg", page)[0]
    assert float(weight) == pytest.approx(58.24, abs=0.11) and angle == "342"  # shown to three figures


def test_two_planes_are_balanced_as_an_instrument_maker_prints(client: httpx.Client) -> None:
    """Document 17-227, table 2, example 6: 1.979 g at 236.2 and 1.071 g at 121.8."""
    runs = "1.15 g@0, 0 = 235@94, 58@68\n0, 1.15 g@0 = 185@115, 77@104"
    page = said(send(client, "balance", runout_checked="yes", reference="170@112, 53@78", runs=runs))
    assert "put 1.98 g at 236 deg in plane 1 and 1.07 g at 122 deg in plane 2" in page


def test_a_forgotten_weight_pulls_as_the_case_history_says(client: httpx.Client) -> None:
    """Feese and Grazier, Balance This!, 2004, p. 204: 20 g at 14.5 in pulls 235 lb at 3600 rpm."""
    page = said(send(client, "effect", runout="29 in", mass="20 g", rpm="3600"))
    assert "(235 lbf)" in page


def test_a_half_turn_gives_each_part_its_own(client: httpx.Client) -> None:
    """Computed: shaft 12 thou at 30, flange 8 at 200 read 4.349 at 48.627 and 19.927 at 26.002 half a turn on."""
    fields = {"m1_index": "0", "m1_text": "4.349@48.627", "m2_index": "180", "m2_text": "19.927@26.002"}
    page = send(client, "half-turn", limit="4", **fields)
    assert "The shaft carries most of it: 12.0" in said(page) and "8.0" in said(page)
    mounts = ["0 = 4.349 thou@48.627", "180 = 19.927 thou@26.002"]
    assert answer_halfturn(mounts, limit="4 thou").sheet.sentence in said(page)
    link = html.unescape(re.findall(r'href="(/bench/mating[^"]*)"', page.text)[0])
    filled = client.get(link)
    assert 'value="19.927 thou@26.002"' in filled.text and 'value="4 thou"' in filled.text
    expected = answer_mate(mounts, bolts=6, limit="4 thou").sheet.sentence
    assert expected in said(send(client, "mating", bolts="6", limit="4", **fields))


def test_a_unit_in_capitals_is_drawn_in_that_unit(client: httpx.Client) -> None:
    pictures = []
    for unit in ("mm", "MM"):
        fields = {
            "m1_text": f"0.2 {unit}@40",
            "m2_text": f"0.5 {unit}@26",
            "m1_index": "0",
            "m2_index": "180",
        }
        pictures.append(live(client, "half-turn", **fields)["pictures"])
    assert pictures[0] == pictures[1] != []


def test_cells_of_two_mountings_are_a_half_turn_test(client: httpx.Client) -> None:
    second = "5 7 6 4 1 -1 0 2"
    cells = {f"m1_{name}": text for name, text in CELLS.items()}
    cells |= {f"m2_c{i}": text for i, text in enumerate(second.split())}
    expected = answer_halfturn([f"0 = {READ} thou", f"180 = {second} thou"]).sheet.sentence
    assert expected in said(send(client, "half-turn", m1_index="0", m2_index="180", **cells))


def test_joint_angles_are_the_differences_of_the_slopes(client: httpx.Client) -> None:
    """Working angle of two pieces in one plane: the difference of their slopes (definition)."""
    fields = {"p1_slope": "3", "p2_slope": "5", "p3_slope": "1", "p3_slope_way": "up", "rpm": "1800"}
    assert "Working angles 2.0 and 6.0 deg" in said(send(client, "angles", **fields))


def test_a_tube_is_judged_as_its_maker_does(client: httpx.Client) -> None:
    """A shaft maker's page: 76.2 x 1.65 mm, 1.5 m: critical 5671, safe to 3970 rpm (0.1%)."""
    told = live(client, "shaft", unit="mm", diameter="76.2", wall="1.65", length="1500", max_rpm="3000")
    found = re.findall(r"(\d{4}) (?:±|rpm)", dict(map(tuple, told["numbers"]))["critical speed"])
    assert float(found[0]) == pytest.approx(5671, rel=1e-3) and "The tube is safe" in told["sentence"]


@pytest.mark.parametrize(
    ("sheet", "field", "usual"),
    [
        ("shaft", "fraction", SAFETY_FRACTION),
        ("balance", "grade", SHAFT_GRADE),
        ("angles", "least", JointLimits().least_deg),
        ("angles", "most", JointLimits().most_deg),
        ("angles", "ends", JointLimits().ends_deg),
    ],
)
def test_the_hint_of_an_empty_field_is_what_the_answer_then_counts_with(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch, sheet: str, field: str, usual: float
) -> None:
    hint = re.compile(rf'<label for="{field}">[^<]*<span class="hint">([\d.]+) where empty</span>')
    found = hint.search(client.get(f"/bench/{sheet}").text)
    assert found and float(found[1]) == usual
    monkeypatch.setitem(WHERE_EMPTY, field, usual * 0.75)
    other = hint.search(client.get(f"/bench/{sheet}").text)
    assert other and float(other[1]) == pytest.approx(usual * 0.75)


def test_a_share_left_empty_is_the_one_of_the_hint(
    client: httpx.Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    tube = {"unit": "mm", "diameter": "76.2", "wall": "1.65", "length": "1500", "max_rpm": "3000"}
    monkeypatch.setitem(WHERE_EMPTY, "fraction", 0.5)
    assert live(client, "shaft", **tube) == live(client, "shaft", fraction="0.5", **tube)


def test_a_shaft_speed_with_a_comma_counts_thousands(client: httpx.Client) -> None:
    tube = {"unit": "mm", "diameter": "76.2", "wall": "1.65", "length": "1500"}
    for typed in ("3,000", "3000"):
        told = live(client, "shaft", max_rpm=typed, **tube)
        assert dict(map(tuple, told["numbers"]))["highest shaft speed"].startswith("3000 rpm")
    told = live(client, "effect", runout="29 in", mass="1,200 g", rpm="3600")
    assert told["trouble"]["mass"].startswith("1,200 g may be 1.2 g or 1200 g")


@pytest.mark.parametrize("order", ["2", "0.5", "3"])
def test_no_order_but_the_first_is_ever_balanced(client: httpx.Client, order: str) -> None:
    with pytest.raises(VibeorderError, match=re.escape(BALANCE_ONLY_FIRST_ORDER)):
        may_balance(float(order), runout_checked=True)
    fields = {
        "ref_size": "3.4",
        "ref_phase": "116",
        "r1_weight": "2",
        "r1_at": "0",
        "r1_size": "1.8",
        "r1_phase": "42",
    }
    answer = send(client, "balance", order=order, runout_checked="yes", **fields)
    assert answer.status_code == 422 and BALANCE_ONLY_FIRST_ORDER in said(answer)
    assert "/bench/angles" in answer.text and "Take the trial" not in said(answer)
    assert BALANCE_ONLY_FIRST_ORDER in said(client.get(f"/bench/balance?order={order}"))


def test_balance_waits_for_a_runout_on_record_or_a_statement(server: Running, client: httpx.Client) -> None:
    job = str(new_job(server))
    fields = {
        "ref_size": "3.4",
        "ref_phase": "116",
        "r1_weight": "2",
        "r1_at": "0",
        "r1_size": "1.8",
        "r1_phase": "42",
    }
    refused = send(client, "balance", job=job, **fields)
    assert (
        refused.status_code == 422
        and RUNOUT_BEFORE_BALANCE in said(refused)
        and "/bench/runout" in refused.text
    )
    assert (
        send(client, "runout", do="keep", job=job, place="tube_rear", limit="4 thou", **CELLS).status_code
        == 200
    )
    over = send(client, "balance", job=job, **fields)
    assert over.status_code == 422 and "shaft tube, rear (over)" in said(over)
    assert send(client, "balance", job=job, runout_checked="yes", **fields).status_code == 200
    send(client, "runout", do="keep", job=job, place="tube_rear", limit="20 thou", **CELLS)
    allowed = send(client, "balance", job=job, **fields)
    assert allowed.status_code == 200 and "put 2.01 g at 329 deg" in said(allowed)


def test_a_kept_reading_is_what_the_command_line_would_have_kept(
    server: Running, client: httpx.Client
) -> None:
    job = new_job(server)
    kept = send(
        client,
        "runout",
        do="keep",
        job=str(job),
        place="tube_rear",
        limit="4 thou",
        part="driveshaft",
        **CELLS,
    )
    assert f"Kept in job {job}" in said(kept)
    command = [
        "runout",
        "--readings",
        f"{READ} thou",
        "--place",
        "tube_rear",
        "--limit",
        "4 thou",
        "--json",
        "-",
    ]
    printed = CliRunner().invoke(bench_app, command)
    with open_casebook(server.house.casebook) as book:
        entries = book.job(job).entries
    assert len(entries) == 1 and entries[0].kind == "reading"
    assert entries[0].body["result"] == json.loads(printed.stdout)
    assert (
        entries[0].body["inputs"]["readings"] == f"{READ} thou"
        and entries[0].body["inputs"]["part"] == "driveshaft"
    )
    again = send(
        client,
        "runout",
        do="keep",
        job=str(job),
        place="tube_rear",
        limit="4 thou",
        part="driveshaft",
        **CELLS,
    )
    assert "already" in said(again)
    with open_casebook(server.house.casebook) as book:
        assert len(book.job(job).entries) == 1


@pytest.mark.parametrize(
    ("sheet", "fields", "field", "sentence"),
    [
        ("runout", {**CELLS, "c3": "7x"}, "c3", "is not a number"),
        ("runout", {**CELLS, "limit": "four"}, "limit", "is not a number with a unit"),
        ("runout", {"readings": "0 2 5"}, "readings", "at least 4 places"),
        ("runout", {"high": "5@90"}, "low", "give the lowest reading too"),
        ("half-turn", {"m1_index": "0", "m1_text": "4@40", "m2_text": "5@50"}, "m2_index", "how far the part"),
        ("half-turn", {"m1_index": "0", "m1_text": "4@40"}, "m1_text", "turn the part half a turn"),
        ("mating", {"fixed": "8@200"}, "moved", "other part's own runout"),
        ("effect", {"runout": "10", "rpm": "3000"}, "mass", "mass that runs off center"),
        ("effect", {"runout": "10", "mass": "10", "speed": "60 mph"}, "runout", "needs the vehicle"),
        (
            "balance", {"ref_size": "3.4", "runout_checked": "yes", "r1_weight": "2", "r1_size": "1.8"}, "r1_at",
            "where the weight sits",
        ),
        ("angles", {"p1_slope": "3", "p2_slope": "5", "rpm": "1800"}, "p3_slope", "of this piece too"),
        ("shaft", {"diameter": "3.5", "wall": "0.083", "unit": "in"}, "length", "length between the joints"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_said_beside_its_field_and_what_was_typed_stays(
    client: httpx.Client, sheet: str, fields: dict[str, str], field: str, sentence: str
) -> None:
    answer = send(client, sheet, **fields)
    assert answer.status_code == 422
    beside = re.search(
        rf'id="{field}"[^>]*aria-invalid="true"|aria-invalid="true"[^>]*id="{field}"', answer.text
    )
    assert beside and sentence.lower() in said(answer).lower()
    for value in fields.values():
        assert f'value="{html.escape(value)}"' in answer.text or "checked" in answer.text
    assert sentence.lower() in live(client, sheet, **fields)["trouble"][field].lower()


def test_the_page_reads_no_file_of_the_server(
    client: httpx.Client, tmp_path_factory: pytest.TempPathFactory
) -> None:
    secret = tmp_path_factory.mktemp("secret") / "run.wav"
    secret.write_bytes(b"RIFF")
    for field in ("reference", "runs", "after"):
        fields = {
            "reference": "3.4@116",
            "runs": "2 g@0 = 1.8@42",
            "runout_checked": "yes",
            field: str(secret),
        }
        if field == "runs":
            fields["runs"] = f"2 g@0 = {secret}"
        answer = send(client, "balance", **fields)
        assert answer.status_code == 422 and "a recording cannot be named here" in said(answer).lower()


def test_more_places_keep_the_readings_where_they_were_read(client: httpx.Client) -> None:
    page = send(client, "runout", do="places", count="16", count_before="8", **CELLS).text
    for i, text in enumerate(READ.split()):
        assert re.search(rf'name="c{2 * i}"[^>]*value="{text}"', page)
    assert re.search(r'name="c1"[^>]*value=""', page) and 'name="c15"' in page and 'name="c16"' not in page


def test_live_answers_need_the_pages_token(client: httpx.Client) -> None:
    assert client.post("/bench/runout/live", data=CELLS).status_code == 403


def test_every_sheet_opens_filled_in_from_its_address(client: httpx.Client) -> None:
    for sheet in SHEETS:
        page = client.get(f"/bench/{sheet}?part=driveshaft&order=1&place=tube_rear&limit=0.25+mm")
        assert page.status_code == 200 and "Suspect: driveshaft 1x" in said(page)
    text = client.get("/bench/runout?part=driveshaft&order=1&place=tube_rear&limit=0.25+mm").text
    assert 'value="tube_rear" selected' in text and 'value="0.25 mm"' in text and 'value="mm" checked' in text
    assert client.get("/bench/lathe").status_code == 404


def test_typed_text_cannot_become_markup(client: httpx.Client) -> None:
    evil = '"><script>alert(1)</script>'
    fields = {
        "m1_index": "0",
        "m1_text": "4@49",
        "m2_index": "180",
        "m2_text": "19@26",
        "fixed_name": evil,
        "limit": evil,
    }
    for sheet in ("half-turn", "mating"):
        for answer in (send(client, sheet, **fields), send(client, sheet, **(fields | {"limit": "4"}))):
            assert "<script>alert" not in answer.text
    assert (
        "<script>alert"
        not in client.get("/bench/runout", params={"place": evil, "from": evil, "job": evil}).text
    )


FUZZED = (
    "readings", "c0", "c1", "limit", "place", "unit", "count", "bolts", "high", "low", "m1_text",
    "m1_index", "fixed", "moved", "runout", "mass", "rpm", "speed", "ref_size", "r1_weight", "r1_at",
    "r1_size", "runs", "reference", "order", "p1_slope", "slopes", "sides", "cv1", "lengths", "diameter",
    "wall", "length", "material", "tilt", "backlash", "after", "clamp", "job", "vehicle", "from",
    "runout_checked", "grade",
)  # fmt: skip


@given(
    st.sampled_from(sorted(SHEETS)),
    st.dictionaries(
        st.sampled_from(
            FUZZED
        ),
        st.one_of(
            st.text(max_size=30),
            st.sampled_from(
                ["0", "-1", "1e9", "nan", "1 2 3 4 5 thou", "5 thou@90", "2 g@0 = 1.8@42", "3 down, 5 down, 3 down",
                 "60 in", "1e400", "99999999999999999999", "3,5", "-0.0 mm", "4@@4"]
            ),
        ),
        max_size=14,
    ),
)  # fmt: skip
@settings(max_examples=120, deadline=None)
def test_no_text_in_any_field_ends_in_a_fault(
    client: httpx.Client, sheet: str, fields: dict[str, str]
) -> None:  # fmt: skip
    """Property: an answer, or sentences beside fields; never an error of the program."""
    clean = {name: value.encode("utf-8", "replace").decode() for name, value in fields.items()}
    answer = send(client, sheet, **clean)
    assert answer.status_code in (200, 404, 422), answer.text[:500]


@pytest.mark.parametrize(
    ("typed", "speeds"),
    [
        ("1800,2400", [1800, 2400]), ("900,1800,2400", [900, 1800, 2400]), ("1800, 2400", [1800, 2400]),
        ("1,800", [1800]), ("1800,5", [1800.5]), ("1,800; 2,400", [1800, 2400]),
    ],
)  # fmt: skip
def test_a_list_of_shaft_speeds_is_read_as_a_list(typed: str, speeds: list[float]) -> None:
    assert inputs_of("effect", {"runout": "10 thou", "mass": "10 kg", "rpm": typed})["rpm"] == speeds


@pytest.mark.parametrize("typed", ["600,900", "1,800,2,400"])
def test_a_comma_that_may_part_or_be_decimal_is_asked_about(typed: str) -> None:
    with pytest.raises(FormError, match="may be one number or several; put a space between them"):
        inputs_of("effect", {"runout": "10 thou", "mass": "10 kg", "rpm": typed})
