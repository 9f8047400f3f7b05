"""Stamps written as text: ISO with or without zone, day/month/year, H:M:S clocks with any last field."""

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from vibeorder.recording.spelleddates import in_figures

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["ClockText", "clock_text_seconds"]

FloatArray = NDArray[np.float64]

# 0 to 9 alone: \d is also true of digits of other scripts, which are not read as numbers.
_STAMP = re.compile(
    r"^\s*(?:(?P<a>[0-9]{1,4})[-/.](?P<b>[0-9]{1,2})[-/.](?P<c>[0-9]{1,4})[T\s]+)?"
    r"(?P<h>[0-9]{1,2})[:\-](?P<m>[0-9]{2})(?:[:\-](?P<s>[0-9]{1,2}))?(?:[.,:](?P<f>[0-9]{1,9}))?"
    r"\s*(?P<p>am|pm|AM|PM)?\s*(?P<z>Z|z|UTC|GMT|[+-][0-9]{2}:?[0-9]{2})?\s*$"
)
DAY_S = 86400.0
YEAR_FIRST, MONTH_FIRST, DAY_FIRST = "year-month-day", "month/day/year", "day/month/year"


@dataclass(frozen=True, slots=True)
class ClockText:
    """Stamps read: seconds of each, NaN where unreadable [shape (n,)]; whether they count from 1970; in words.

    order: in which the date was read. doubt_s: what to add where day and month are the other way round, which
    figures up to 12 do not tell; 0 where it is settled.
    """

    seconds: FloatArray
    absolute: bool
    kind: str
    order: str = ""
    doubt_s: float = 0.0


def clock_text_seconds(column: "pd.Series[Any] | FloatArray", order: str = "") -> ClockText | None:
    """The stamps of a column, or None where it does not hold stamps.

    A date without a zone is taken as UTC. A clock without a date runs on past midnight. order: of the date, where
    an earlier part of the log has told it.
    """
    if isinstance(column, np.ndarray):
        return None  # numbers
    filled = column.dropna()
    if not len(filled):
        return None
    texts = filled.astype(str)
    probe = texts.iloc[:: max(1, len(texts) // 50)].tolist()
    if in_figures(probe[0]) is not None:
        texts = texts.map(lambda text: in_figures(text) or "")
        probe = texts.iloc[:: max(1, len(texts) // 50)].tolist()
    matches = [match for text in probe if (match := _STAMP.match(text))]
    if len(matches) < 0.9 * len(probe):
        return None
    seconds = np.full(len(column), np.nan)
    places = column.notna().to_numpy()
    dated = matches[0].group("a") is not None
    fields = _fields(texts, matches[0])
    if fields is None:
        fields = texts.str.extract(_STAMP)
    clock = _clock_seconds(fields)
    if not dated:
        seconds[places] = _past_midnight(clock)
        return ClockText(seconds, False, "hours, minutes and seconds")
    days, order, doubt = _days(fields, order)
    seconds[places] = days * DAY_S + clock - _zone_seconds(fields)
    zone = " with its zone" if matches[0].group("z") else ", taken as UTC"
    open_ = f" or {MONTH_FIRST}, which its figures do not tell" if doubt else ""
    return ClockText(seconds, True, f"date and clock ({order}{open_}){zone}", order, doubt * DAY_S)


def _fields(texts: "pd.Series[Any]", first: re.Match[str]) -> "pd.DataFrame | None":
    """The parts of stamps that all have one length, cut by position: ten times faster than a search."""
    import pandas as pd

    raw = texts.to_numpy(dtype=np.str_)
    width = raw.dtype.itemsize // 4
    if len(raw) < 2000 or width > 40 or width != len(first.group(0)):
        return None
    codes = raw.view(np.uint32).reshape(len(raw), width)
    out: dict[str, Any] = {}
    separators = np.ones(width, dtype=bool)
    for name in first.re.groupindex:
        start, end = first.span(name)
        if start < 0:
            out[name] = None
            continue
        separators[start:end] = False
        if name in "abchmsf":
            digits = codes[:, start:end].astype(np.int64) - 48
            if digits.min() < 0 or digits.max() > 9:
                return None
            value = digits @ 10 ** np.arange(end - start - 1, -1, -1, dtype=np.int64)
            out[name] = value * 10.0 ** -(end - start) if name == "f" else value
        else:
            if (codes[:, start:end] != codes[0, start:end]).any():
                return None
            out[name] = first.group(name)
    if (codes[:, separators] != codes[0, separators]).any():
        return None
    return pd.DataFrame(out, index=range(len(raw)))


def _numbers(fields: "pd.DataFrame", name: str) -> FloatArray:
    import pandas as pd

    return pd.to_numeric(fields[name], errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)


def _clock_seconds(fields: "pd.DataFrame") -> FloatArray:
    seconds = np.nan_to_num(_numbers(fields, "s"))
    if fields["f"].dtype.kind == "f":
        fraction = np.nan_to_num(fields["f"].to_numpy())
    else:
        digits = fields["f"].str.len().to_numpy(dtype=np.float64, na_value=np.nan)
        # A last field of uneven length counts units of its longest form: 7 stands for 0.007 beside 123.
        longest = float(np.nanmax(digits)) if np.isfinite(digits).any() else 0.0
        fraction = np.nan_to_num(_numbers(fields, "f") / 10.0**longest) if longest else np.zeros(len(fields))
    hours = _numbers(fields, "h")
    if fields["p"].notna().any():
        late = fields["p"].astype(str).str.lower().to_numpy() == "pm"
        hours = hours % 12 + 12 * late
    clock: FloatArray = hours * 3600 + _numbers(fields, "m") * 60 + seconds + fraction
    return clock


def _past_midnight(clock: FloatArray) -> FloatArray:
    """A clock that falls back by more than half a day has passed midnight."""
    steps = np.diff(clock, prepend=clock[:1])
    return clock + DAY_S * np.cumsum(np.nan_to_num(steps) < -0.5 * DAY_S)


def _days(fields: "pd.DataFrame", order: str) -> tuple[FloatArray, str, float]:
    """Days since 1970, the order in which the date was read, and how many days later the other order has it.

    Figures up to 12 tell the order where the date changes: a log goes on from day to day, not from month to month.
    """
    a, b, c = (_numbers(fields, name) for name in "abc")
    if np.nanmax(a) > 31:
        return _since_1970(a, b, c), YEAR_FIRST, 0.0
    day_first, month_first = _since_1970(c, b, a), _since_1970(c, a, b)
    if not np.isfinite([day_first, month_first]).any():  # 00/00/0000, as of a receiver that has no time yet
        return day_first, DAY_FIRST, 0.0
    told = order or (MONTH_FIRST if np.nanmax(b) > 12 else DAY_FIRST if np.nanmax(a) > 12 else "")
    spans = [float(np.ptp(days[np.isfinite(days)])) for days in (day_first, month_first) if not told]
    if spans and spans[0] != spans[1]:
        told = DAY_FIRST if spans[0] < spans[1] else MONTH_FIRST
    if told == MONTH_FIRST:
        return month_first, MONTH_FIRST, 0.0
    return day_first, DAY_FIRST, 0.0 if told else float(np.nanmedian(month_first - day_first))


def _since_1970(year: FloatArray, month: FloatArray, day: FloatArray) -> FloatArray:
    """Days, NaN where there is no such date."""
    year = np.where(year < 100, year + 2000, year)
    bad = ~(np.isfinite(year + month + day) & (month >= 1) & (month <= 12) & (day >= 1) & (day <= 31))
    years, months, dates = (np.where(bad, 1, part).astype(np.int64) for part in (year, month, day))
    whole = (years - 1970).astype("datetime64[Y]").astype("datetime64[M]") + (months - 1)
    days = whole.astype("datetime64[D]").astype(np.int64) + (dates - 1)
    return np.where(bad, np.nan, days.astype(np.float64))


def _zone_seconds(fields: "pd.DataFrame") -> FloatArray:
    zones = fields["z"]
    if not zones.notna().any():
        return np.zeros(len(fields))
    parts = zones.astype(str).str.extract(r"([+-])(\d{2}):?(\d{2})")
    sign = np.where(parts[0].to_numpy() == "-", -1.0, 1.0)
    hours = np.nan_to_num(_numbers(parts, 1))  # type: ignore[arg-type]
    minutes = np.nan_to_num(_numbers(parts, 2))  # type: ignore[arg-type]
    offset: FloatArray = sign * (hours * 3600 + minutes * 60)
    return offset
