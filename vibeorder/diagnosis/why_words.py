"""Numbers as the sentences of an explanation write them: a value with its doubt, odds, a range."""

import math

__all__ = [
    "PEAK",
    "STANDS",
    "WORTH_A_WORD",
    "hz",
    "line_odds",
    "odds",
    "plus_minus",
    "size",
    "turned_text",
    "two_digits",
]

STANDS = 6.0
"""Log evidence from which a line is said to stand on its track; the report has the same in SHOWN_EVIDENCE."""

WORTH_A_WORD = 0.3
"""Log weight below which a finding speaks neither way: odds of 1.35 to 1."""

PEAK = math.sqrt(2.0)
"""Peak of a line over its rms."""

MOST_ODDS = 10_000.0


def plus_minus(value: float, se: float) -> str:
    """A value and its standard error, to the digits that the error allows.

    >>> plus_minus(0.31234, 0.0113), plus_minus(41.271, 0.2)
    ('0.312 ± 0.011', '41.3 ± 0.2')
    """
    if not (math.isfinite(se) and se > 0.0):
        return two_digits(value)
    leading = math.floor(math.log10(se))
    digits = max(0, -leading + (1 if se < 2.0 * 10.0**leading else 0))
    return f"{value:.{digits}f} ± {se:.{digits}f}"


def two_digits(value: float) -> str:
    """A number to two significant digits, never in powers of ten above a thousandth.

    >>> two_digits(0.01234), two_digits(123.4)
    ('0.012', '123')
    """
    if not math.isfinite(value):
        return "-"
    if value == 0.0:
        return "0"
    digits = max(0, 1 - math.floor(math.log10(abs(value))))
    return f"{value:.{digits}f}" if digits <= 6 else f"{value:.1e}"


def size(amplitude: float, unit: str) -> str:
    """A strength with its unit; a recording without a scale has none."""
    return f"{two_digits(amplitude)} m/s²" if unit == "m/s^2" else two_digits(amplitude)


def hz(frequency_hz: float) -> str:
    """A frequency to a tenth of a hertz."""
    return f"{frequency_hz:.1f} Hz"


def odds(log_odds: float) -> str:
    """Odds of a log weight, the larger number first.

    >>> odds(2.3), odds(-20.0)
    ('10 to 1', 'more than 10000 to 1')
    """
    ratio = math.exp(min(abs(log_odds), 50.0))
    if ratio > MOST_ODDS:
        return f"more than {MOST_ODDS:.0f} to 1"
    return (
        f"{ratio:.1f} to 1"
        if ratio < 4.95
        else f"{ratio:.0f} to 1"
        if ratio < 100
        else f"{float(f'{ratio:.2g}'):.0f} to 1"
    )


def line_odds(log_evidence: float) -> str:
    """How much likelier a recording is with a line on a track than with noise alone, for who knows no logarithms.

    Beyond what anybody can picture the power of ten stands beside it, since it still ranks two lines.

    >>> line_odds(2.3)
    'a line on its track explains the recording 10 times better than noise alone'
    >>> line_odds(47.3)
    'a line on its track explains the recording more than 10000 times better than noise alone (10^20.5 times)'
    >>> line_odds(0.1)
    'nothing speaks for a line on its track'
    """
    if log_evidence < WORTH_A_WORD:
        return "nothing speaks for a line on its track"
    times = f"{odds(log_evidence).removesuffix(' to 1')} times"
    beyond = log_evidence > math.log(MOST_ODDS)
    power = f" (10^{log_evidence / math.log(10.0):.1f} times)" if beyond else ""
    return f"a line on its track explains the recording {times} better than noise alone{power}"


def turned_text(scale: float, which: str) -> str:
    """How far the wheels turned from what was foretold. scale: true rate over it; which speed, "logged" or "given".

    >>> turned_text(1.01, "logged")[:80]
    'by the lines the wheels turned 1.0% faster than tire size and logged speed say ('
    """
    off = f"{abs(100 * (scale - 1.0)):.1f}%"
    if off == "0.0%":
        return f"by the lines the wheels turned just as tire size and {which} speed say"
    turned = f"{off} {'faster' if scale > 1.0 else 'slower'}"
    return (
        f"by the lines the wheels turned {turned} than tire size and {which} speed say "
        "(tire wear, load and the speed's own error together)"
    )
