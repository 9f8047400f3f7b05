"""Numbers as the sentences of an explanation write them: a value with its doubt, odds, a range."""

import math

__all__ = ["PEAK", "STANDS", "WORTH_A_WORD", "hz", "odds", "plus_minus", "size", "two_digits"]

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
