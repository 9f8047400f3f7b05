"""The printed sheet: one file, nothing fetched, nothing unescaped, two pages."""

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser

from report_examples import bent_flange, healthy_drive, twins

from vibeorder.report.sheet import as_html

VOID = {"meta", "img", "br", "link", "hr", "input"}  # HTML Living Standard, 13.1.2 void elements


class Balance(HTMLParser):
    """Collects tags and text, and fails on an element that is closed out of turn."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.seen.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text += data


def parsed(html: str) -> Balance:
    page = Balance()
    page.feed(html)
    page.close()
    assert page.open == []
    return page


def test_the_sheet_is_well_formed_and_starts_with_the_verdict() -> None:
    for diagnosis in (bent_flange(), twins(), healthy_drive()):
        page = parsed(as_html(diagnosis))
        headings = [tag for tag, _ in page.seen if tag in ("h1", "h2")]
        assert headings[0] == "h1"
        assert headings.count("h1") == 1
        assert diagnosis.verdict in page.text


def test_nothing_is_fetched_and_nothing_runs() -> None:
    html = as_html(bent_flange())
    page = parsed(html)
    assert not {"script", "link", "iframe", "object"} & {tag for tag, _ in page.seen}
    assert all(str(attrs["src"]).startswith("data:") for _, attrs in page.seen if "src" in attrs)
    assert not re.search(r"https?://|@import|url\(", html)


def test_the_figure_is_inside_and_says_what_it_shows() -> None:
    picture = next(attrs for tag, attrs in parsed(as_html(bent_flange())).seen if tag == "img")
    assert base64.b64decode(str(picture["src"]).split(",")[1]).startswith(b"\x89PNG")
    assert "driveshaft 1x at 40.3 Hz" in str(picture["alt"])


def test_hostile_names_stay_text() -> None:
    bad = '<script>alert("x")</script>'
    odd = replace(
        bent_flange(),
        verdict=bad, vehicle_name=bad, recording={"source": bad}, history=(bad,), notes=(bad,),
        cautions=(bad,),
        suspects=(replace(bent_flange().suspects[0], part=f"accessory:{bad}", label=bad, causes=(bad,)),),
    )  # fmt: skip
    page = parsed(as_html(odd))
    assert "script" not in {tag for tag, _ in page.seen}
    assert page.text.count(bad) >= 7


def test_braces_in_a_name_do_not_break_the_page() -> None:
    assert "{front} {0}" in parsed(as_html(replace(bent_flange(), vehicle_name="{front} {0}"))).text


def test_page_one_is_to_act_on_and_page_two_stands_behind_it() -> None:
    html = as_html(twins())
    assert html.count("<article>") == 2
    front, back = html.split("</article>")[:2]
    assert "First check" in front
    assert "Next drive" in front
    assert "<img" in back
    assert "Cautions" in back
    assert "break-before: page" in html


def test_rows_and_columns_have_header_cells() -> None:
    page = parsed(as_html(twins()))
    assert any(tag == "caption" for tag, _ in page.seen)
    assert sum(attrs.get("scope") == "row" for tag, attrs in page.seen if tag == "th") >= 3
