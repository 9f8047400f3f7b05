"""A diagnosis as one self-contained HTML file: the sheet that goes on the clipboard, two pages in print.

No script, no outside request; the figure is inside. Page one is what the technician acts on, page two what
stands behind it. Every text is escaped.
"""

import base64
from collections.abc import Iterable, Sequence
from html import escape

from vibeorder import __version__
from vibeorder.diagnosis.result import Diagnosis
from vibeorder.report.figures import png_bytes
from vibeorder.report.why_figure import why_png_bytes
from vibeorder.report.why_text import LEAD, why_blocks
from vibeorder.report.wording import (
    EXPLAINED,
    WORTH_EXPLAINING,
    SuspectGroup,
    beside_lines,
    capitalised,
    groups_worth_showing,
    healthy_text,
    nothing_text,
    percent,
    recording_text,
    speed_lines,
    suspect_facts,
    suspect_name,
    table_numbers,
    twin_lines,
)

__all__ = ["as_html"]

ON_PAPER, IN_FULL = 5, 3
"""Suspects spelled out in print, and how many of them at most with their causes: page one has to hold them.
The screen has all of all."""
LINES_ON_PAPER = 17
"""Of what was found in the recordings, beside the figure on page two."""


def as_html(diagnosis: Diagnosis) -> str:
    """The whole sheet as HTML text, figure and style included."""
    title = escape(f"{diagnosis.vehicle_name or 'Vehicle'}: {diagnosis.verdict}")
    return _PAGE.format(
        title=title,
        style=_STYLE,
        front=_front(diagnosis),
        back=_back(diagnosis),
        why=_why(diagnosis),
        version=escape(__version__),
    )


def _front(diagnosis: Diagnosis) -> str:
    groups = groups_worth_showing(diagnosis)
    explained = [group for group in groups[:EXPLAINED] if group.probability >= WORTH_EXPLAINING]
    return "".join(
        (
            f'<p class="job">{escape(diagnosis.vehicle_name)} &middot; '
            f"{escape(recording_text(diagnosis.recording))}</p>",
            f'<h1 class="verdict">{escape(diagnosis.verdict)}</h1>',
            _runout(diagnosis),
            _ranking(groups, diagnosis),
            _next_drive(diagnosis),
            _what_to_do(explained),
        )
    )


def _back(diagnosis: Diagnosis) -> str:
    picture = base64.b64encode(png_bytes(diagnosis)).decode("ascii")
    return "".join(
        (
            f'<figure><img alt="{escape(_alt(diagnosis))}" src="data:image/png;base64,{picture}"></figure>',
            '<div class="columns">',
            _list(
                "Cannot be told apart", twin_lines(groups_worth_showing(diagnosis), diagnosis.speed.source)
            ),
            _list("Motion, sound and what was said", beside_lines(diagnosis)),
            _list("Speed, gear and tire", speed_lines(diagnosis.speed)),
            _list("Found in the recording", _found(diagnosis), LINES_ON_PAPER),
            _list("Cautions", diagnosis.cautions),
            "</div>",
        )
    )


def _why(diagnosis: Diagnosis) -> str:
    """A page of what speaks for and against, where that was asked for."""
    blocks = why_blocks(diagnosis)
    if not blocks:
        return ""
    picture = base64.b64encode(why_png_bytes(diagnosis)).decode("ascii")
    alt = "For each suspect: where its line should run and was measured, its strength by speed, its orders."
    parts = [
        f"<h1>Why: what speaks for and against</h1><p>{escape(LEAD)}</p>",
        f'<figure><img class="tall" alt="{alt}" src="data:image/png;base64,{picture}"></figure>',
    ]
    for block in blocks:
        lists = "".join(
            f"<h3>{escape(heading)}</h3><dl>"
            + "".join(f"<dt>{escape(what)}</dt><dd>{escape(said)}</dd>" for what, said in lines)
            + "</dl>"
            for heading, lines in block.sections
        )
        parts.append(f"<section><h2>{block.place}{escape(block.title)}</h2>{lists}</section>")
    return f"<article>{''.join(parts)}</article>\n"


def _runout(diagnosis: Diagnosis) -> str:
    check = diagnosis.runout_check
    head = f"yes. {capitalised(check.where)}" if check.warranted else "not warranted"
    why = escape(capitalised(check.why))
    return f'<p class="runout"><strong>Runout check: {escape(head)}</strong><br>{why}</p>'


def _ranking(groups: Iterable[SuspectGroup], diagnosis: Diagnosis) -> str:
    relative = all(one.unit != "m/s^2" for one in diagnosis.suspects)
    sizes = "<th>Relative</th>" if relative else "<th>g</th><th>m/s²</th>"
    rows = [(group.probability, _group(number, group, relative)) for number, group in enumerate(groups, 1)]
    nothing = diagnosis.nothing_found_probability
    blank = f'<td colspan="{4 if relative else 5}"></td>'
    rows.append(
        (nothing, f'<tr><th scope="row">{nothing_text(diagnosis)}</th><td>{_odds(nothing)}</td>{blank}</tr>')
    )
    body = "".join(row for _, row in sorted(rows, key=lambda row: -row[0]))
    return (
        "<table><caption>Suspects, likeliest first</caption><thead><tr><th>Part and order</th><th>Likely</th>"
        f"<th>Measured Hz</th><th>Expected Hz</th>{sizes}<th>Over noise</th></tr></thead>"
        f"<tbody>{body}</tbody></table>"
    )


def _group(number: int, group: SuspectGroup, relative: bool) -> str:
    rows = []
    for place, one in enumerate(group.members):
        name = f"{number}. {suspect_name(one)}" if place == 0 else f"or {suspect_name(one)}"
        odds = _odds(group.probability) if place == 0 else "shared"
        cells = "".join(f"<td>{escape(text)}</td>" for text in table_numbers(one, relative))
        css = "" if place == 0 else ' class="twin"'
        rows.append(f'<tr{css}><th scope="row">{escape(name)}</th><td>{odds}</td>{cells}</tr>')
    return "".join(rows)


def _odds(probability: float) -> str:
    width = round(100.0 * probability)
    return f'{escape(percent(probability))}<span class="bar"><span style="width:{width}%"></span></span>'


def _what_to_do(groups: Sequence[SuspectGroup]) -> str:
    """A block for each suspect; where they are many, print has only what to do of those that do not lead alone."""
    named = [
        (f"{number}. {'or ' if place else ''}{one.label}", one)
        for number, group in enumerate(groups, start=1)
        for place, one in enumerate(group.members)
    ]
    blocks = []
    for i, (lead, one) in enumerate(named):
        in_full = len(named) <= IN_FULL or (i == 0 and len(groups[0].members) == 1)
        css = "first" if in_full else "later" if i < ON_PAPER else "later beyond"
        listed = "".join(f"<dt>{head}</dt><dd>{escape(text)}</dd>" for head, text in suspect_facts(one))
        box = '<span class="tick" aria-hidden="true"></span>'
        blocks.append(f'<section class="{css}"><h2>{box}{escape(lead)}</h2><dl>{listed}</dl></section>')
    more = (
        f'<p class="more">{len(named) - ON_PAPER} more are on the screen.</p>'
        if len(named) > ON_PAPER
        else ""
    )
    return f'<div class="suspects{" several" if len(named) > 1 else ""}">{"".join(blocks)}</div>{more}'


def _next_drive(diagnosis: Diagnosis) -> str:
    drive = diagnosis.next_drive
    if drive is None:
        return ""
    said = f"{escape(drive.instruction)}<br>{escape(capitalised(drive.reason))}"
    return f"<section><h2>Next drive</h2><p>{said}</p></section>"


def _found(diagnosis: Diagnosis) -> tuple[str, ...]:
    """What the recording was like; of several, what each says alone comes first, since paper holds only so much."""
    history, rest = diagnosis.history, (*diagnosis.notes, healthy_text(diagnosis))
    lines = (*rest, *history) if diagnosis.recording.get("together_with") else (*history, *rest)
    return tuple(line for line in lines if line)


def _list(title: str, lines: Iterable[str], on_paper: int | None = None) -> str:
    """A titled list; of more lines than `on_paper`, print says only how many are on the screen."""
    said = [escape(capitalised(line)) for line in lines if line]
    most = len(said) if on_paper is None or len(said) <= on_paper else on_paper
    items = "".join(f"<li>{one}</li>" for one in said[:most])
    items += "".join(f'<li class="beyond">{one}</li>' for one in said[most:])
    if len(said) > most:
        items += f'<li class="more">{len(said) - most} more are on the screen.</li>'
    return f"<section><h2>{escape(title)}</h2><ul>{items}</ul></section>" if items else ""


def _alt(diagnosis: Diagnosis) -> str:
    seen = [one for one in diagnosis.suspects if one.frequency_hz is not None]
    lines = ", ".join(f"{suspect_name(one)} at {one.frequency_hz:.1f} Hz" for one in seen[:8])
    return f"Spectrum and order map. Lines seen: {lines or 'none'}."


_STYLE = """
:root { color-scheme: light dark; --paper: #fbfaf6; --ink: #1f2a33; --rule: #8a8f94; --accent: #a34700;
  --board: #d8cdb8; }
@media (prefers-color-scheme: dark) { :root { --paper: #1b2126; --ink: #ece8dd; --rule: #7d868d;
  --accent: #ff9d5c; --board: #0f1316; } }
* { box-sizing: border-box; }
body { margin: 0; background: var(--board); color: var(--ink);
  font: 1rem/1.45 system-ui, "Segoe UI", Roboto, "Noto Sans", sans-serif; }
main { max-width: 60rem; margin: 0 auto; padding: 1rem; }
article { background: var(--paper); padding: 1.6rem 2rem; margin: 0 0 1.4rem; border-radius: .3rem;
  border-top: .7rem solid var(--rule); overflow-x: auto; }
.job { margin: 0 0 .6rem; color: var(--ink); font-size: .95rem; border-bottom: 1px solid var(--rule);
  padding-bottom: .4rem; overflow-wrap: anywhere; }
.verdict { font-size: 1.9rem; line-height: 1.2; margin: .4rem 0 .8rem; }
.runout { border-left: .4rem solid var(--accent); padding: .3rem .8rem; margin: 0 0 1rem; }
table { border-collapse: collapse; width: 100%; font-variant-numeric: tabular-nums; }
caption, h2 { text-align: left; font-size: 1.08rem; font-weight: 700; margin: 1.1rem 0 .3rem; }
thead th { font-size: .85rem; border-bottom: 2px solid var(--ink); vertical-align: bottom; }
th, td { text-align: right; padding: .32rem .5rem; border-bottom: 1px solid var(--rule);
  white-space: nowrap; }
th:first-child { text-align: left; white-space: normal; }
td:nth-child(2), th:nth-child(2) { text-align: left; }
tr.twin th { padding-left: 1.6rem; font-weight: 400; }
.bar { display: block; height: .45rem; width: 7rem; border: 1px solid var(--rule); }
.bar span { display: block; height: 100%; background: var(--ink); print-color-adjust: exact;
  -webkit-print-color-adjust: exact; }
.tick { display: inline-block; width: .9rem; height: .9rem; border: 2px solid var(--ink); margin-right: .5rem;
  vertical-align: -.1rem; }
dl { display: grid; grid-template-columns: 9.5rem 1fr; gap: .15rem .8rem; margin: 0; }
dt { font-weight: 600; } dd { margin: 0; }
ul { margin: 0; padding-left: 1.2rem; }
figure { margin: 0; } img { width: 100%; height: auto; display: block; }
h1 { font-size: 1.5rem; } h3 { font-size: 1rem; margin: .6rem 0 .2rem; }
.columns { columns: 18rem 2; column-gap: 2rem; } .columns section { break-inside: avoid; padding-top: 1px; }
.columns h2 { margin-top: .6rem; }
.more { display: none; }
footer { font-size: .85rem; padding: 0 2rem 1rem; }
@media (max-width: 40rem) { dl { grid-template-columns: 1fr; } article { padding: 1rem; } }
@media print { @page { margin: 12mm; } :root { --paper: #fff; --ink: #000; --board: #fff; --accent: #000;
  --rule: #777; }
  body { font-size: 8.5pt; line-height: 1.3; } main { padding: 0; max-width: none; }
  article { padding: 0; margin: 0; border: 0; overflow: visible; }
  article + article { break-before: page; } .verdict { font-size: 16pt; margin: 1mm 0 2mm; }
  .runout { margin: 0; } p { margin: 0; }
  img { max-height: 112mm; object-fit: contain; object-position: left; }
  h3 { font-size: 9pt; margin: 1mm 0 0; } img.tall { max-height: 225mm; }
  .several { columns: 2; column-gap: 7mm; } .suspects section { break-inside: avoid; padding-top: 1px; }
  .columns { columns: 2; } .columns section { break-inside: auto; } li { break-inside: avoid; }
  h2 { break-after: avoid; } .beyond { display: none; } .more { display: block; }
  .suspects h2 { margin-top: 2mm; }
  dl { display: block; } dt, dd { display: inline; } dt::after { content: ": "; }
  .later dt:nth-of-type(n+3), .later dd:nth-of-type(n+3) { display: none; }
  .bar { display: inline-block; width: 16mm; height: 2mm; margin-left: 2mm; }
  caption, h2 { font-size: 10.5pt; }
  dd::after { content: "\\A"; white-space: pre; }
  th, td { padding: .5mm 1.5mm; } footer { padding: 2mm 0 0; } }
"""

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:;
 style-src 'unsafe-inline'">
<title>{title}</title>
<style>{style}</style>
</head>
<body>
<main>
<article>{front}</article>
<article>{back}</article>
{why}<footer>Made by vibeorder {version}. Signed: ______________ &nbsp; Date: ______________</footer>
</main>
</body>
</html>
"""
