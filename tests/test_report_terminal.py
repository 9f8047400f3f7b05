"""What a technician reads: verdict first, one line a suspect, and nothing that only colour would say."""

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st
from report_examples import audio_diagnosis, bent_flange, healthy_drive, suspect, twins, unexplained_drive

from vibeorder.report import as_text
from vibeorder.report.sheet import as_html
from vibeorder.report.wording import frequency_text, group_suspects, percent, two_digits


def test_the_verdict_is_the_first_line_and_the_runout_check_follows() -> None:
    lines = as_text(bent_flange(), width=96).splitlines()
    assert lines[0] == bent_flange().verdict
    assert lines[1].startswith("Runout check: yes. Where: Pinion flange, then the tube at its rear.")


def test_every_line_fits_80_columns() -> None:
    for diagnosis in (bent_flange(), twins(), healthy_drive(), audio_diagnosis()):
        for terminal in (False, True):
            text = as_text(diagnosis, width=80, terminal=terminal)
            plain = text.replace("\x1b[1m", "").replace("\x1b[0m", "")
            assert max(map(len, plain.splitlines())) <= 80


def test_a_suspect_is_one_line_with_its_numbers() -> None:
    row = next(line for line in as_text(bent_flange()).splitlines() if line.startswith("1  driveshaft 1x"))
    assert row.split()[3:] == ["97%", "40.31", "±", "0.02", "40.8", "0.031", "0.30", "24", "dB"]


def test_piped_text_has_no_escape_codes_and_no_bars() -> None:
    text = as_text(bent_flange())
    assert "\x1b" not in text
    assert "█" not in text


def test_a_screen_gets_bold_headings_but_no_colour() -> None:
    text = as_text(bent_flange(), terminal=True)
    assert "\x1b[1m" in text
    assert not any(f"\x1b[{code}m" in text for code in range(30, 48))


def test_an_old_code_page_gets_plain_characters_only() -> None:
    for terminal in (False, True):
        assert as_text(twins(), terminal=terminal, ascii_only=True).isascii()


def test_twins_share_one_probability_and_bring_the_next_drive() -> None:
    text = as_text(twins())
    assert "   or engine 1x        shared" in text
    assert "Driveshaft 1x and engine 1x cannot be told apart by this recording; together" in text
    assert "Next drive\n  Coast from 65 to 45 mph in neutral." in text


def test_being_indistinct_is_passed_on_and_the_group_has_the_sum() -> None:
    chain = (
        suspect("tire_wheel", 1.0, 0.2, 11.5, indistinct_from=(("half_shaft", 1.0),)),
        suspect("half_shaft", 1.0, 0.3, 11.5, indistinct_from=(("driveshaft", 1.0),)),
        suspect("driveshaft", 1.0, 0.1, 11.5),
        suspect("engine", 1.0, 0.35, 33.0),
    )
    groups = group_suspects(chain)
    assert [len(group.members) for group in groups] == [3, 1]
    assert abs(groups[0].probability - 0.6) < 1e-12
    assert groups[0].members[0].part == "half_shaft"


def test_a_healthy_drive_ranks_nothing_first_and_names_the_healthy_lines() -> None:
    text = as_text(healthy_drive())
    rows = text[text.index("Suspects") :].splitlines()
    first = next(index for index, row in enumerate(rows) if "nothing that turns" in row)
    assert not any(row.startswith("1  ") for row in rows[:first])
    assert "Runout check: not warranted. No line is strong enough to be felt." in text
    assert "No stronger than in healthy vehicles: driveshaft 1x at 40.3 Hz" in " ".join(text.split())


def test_a_shake_at_no_parts_rate_is_called_in_the_table_what_the_verdict_calls_it() -> None:
    found = unexplained_drive()
    assert "none of the parts listed" in found.verdict
    for shown in (as_text(found), as_html(found)):
        assert shown.count("none of the parts") >= 2
        assert "othing that turns" not in shown
    table = as_text(found)[as_text(found).index("Suspects") :]
    assert "none of the parts " in table.split("Runout check")[0]


def test_a_microphone_has_relative_sizes_and_no_g() -> None:
    text = as_text(audio_diagnosis())
    assert "relative" in text
    assert "m/s²" not in text.split("Speed, gear and tire")[0]


def test_what_was_fitted_and_mended_is_told() -> None:
    text = as_text(bent_flange())
    assert "By the lines the wheels turned 1.9% slower than tire size and logged speed say." in " ".join(
        text.split()
    )
    assert "The logged speed runs 0.7 s late." in text
    assert "12 repeated samples were dropped." in text


def test_a_folded_line_is_said_to_be_folded() -> None:
    one = suspect("engine", 4.0, 0.9, 46.0, folded=True)
    text = as_text(replace(bent_flange(), suspects=(one,)))
    assert "engine 4x (folded)" in text
    assert "mirror image" in text


def test_text_in_square_brackets_is_shown_as_it_is() -> None:
    text = as_text(replace(bent_flange(), verdict="[bold]Not[/bold] a style :smile:"))
    assert text.startswith("[bold]Not[/bold] a style :smile:")


@given(st.floats(0.0, 1.0))
def test_no_probability_is_ever_shown_as_certain(probability: float) -> None:
    assert percent(probability) not in ("0%", "100%")


@given(st.floats(0.1, 1e4), st.floats(0.0, 5.0))
def test_a_frequency_is_within_its_rounding_and_its_error_is_never_shown_smaller(
    hz: float, se: float
) -> None:
    value, shown = (float(text) for text in frequency_text(hz, se).split(" ± "))
    digits = len(f"{frequency_text(hz, se)}".split(" ± ")[1].split(".")[1])
    assert abs(value - hz) <= 0.5 * 10.0**-digits + 1e-9
    assert shown >= se - 0.5 * 10.0**-digits - 1e-9


@given(st.floats(1e-5, 1e5))
def test_two_digits_are_true_to_five_percent(value: float) -> None:
    assert abs(float(two_digits(value)) - value) <= 0.0501 * value
