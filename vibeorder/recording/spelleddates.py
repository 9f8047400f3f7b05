"""Dates not written in figures with marks between: with the month's name, or in one piece (ISO 8601, basic)."""

import re

__all__ = ["in_figures"]

_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTH = r"(?P<month>jan(?:uary)?|feb(?:ruary)?|mar(?:ch)?|apr(?:il)?|may|june?|july?|aug(?:ust)?|sept?(?:ember)?|oct(?:ober)?|nov(?:ember)?|dec(?:ember)?)\.?"  # fmt: skip # noqa: E501
_WEEKDAY = r"(?:(?:mon|tues?|wed(?:nes)?|thu(?:rs)?|fri|sat(?:ur)?|sun)(?:day)?\.?,?\s+)?"
_DAY, _YEAR, _BETWEEN = r"(?P<day>\d{1,2})", r"(?P<year>\d{4})", r"[-/.\s]\s*"
_CLOCK = r"(?:,?\s+(?:at\s+)?|T|:)(?P<clock>\d{1,2}:\d{2}\S*(?:\s+\S+)?)"
_FORMS = tuple(
    re.compile(rf"\s*{form}\s*$", re.IGNORECASE)
    for form in (
        # 06-May-2030 14:03:22; Mon, 6 May 2030 14:03:22 GMT; a year of two figures comes last only
        rf"{_WEEKDAY}{_DAY}{_BETWEEN}{_MONTH},?(?:{_BETWEEN})?(?P<year>\d{{4}}|\d{{2}})(?:{_CLOCK})?",
        # May 6, 2030 2:03:22 PM
        rf"{_WEEKDAY}{_MONTH}{_BETWEEN}{_DAY},?(?:{_BETWEEN})?{_YEAR}(?:{_CLOCK})?",
        # 2030-May-06 14:03:22
        rf"{_YEAR}{_BETWEEN}{_MONTH}{_BETWEEN}{_DAY}(?:{_CLOCK})?",
        # Mon May  6 14:03:22 2030, as asctime of the C standard writes it; with UTC or GMT before the year
        rf"{_WEEKDAY}{_MONTH}\s+{_DAY}\s+(?P<clock>\d{{1,2}}:\d{{2}}:\d{{2}}\S*(?:\s+(?:UTC|GMT))?)\s+{_YEAR}",
    )
)
_IN_ONE_PIECE = re.compile(
    r"\s*(\d{4})(\d{2})(\d{2})(?:[T ](?:(\d{2})(\d{2})(\d{2})(?=[.,Z+-]|\s|$)|(?=\d{1,2}:\d{2}))(\S*))\s*$"
)


def in_figures(text: str) -> str | None:
    """The stamp as year-month-day and clock, or None where it is none of these.

    >>> in_figures("06-May-2030 14:03:22.5"), in_figures("May 6, 2030 2:03:22 PM"), in_figures("20300506T140322Z")
    ('2030-05-06 14:03:22.5', '2030-05-06 2:03:22 PM', '2030-05-06 14:03:22Z')
    >>> in_figures("05/06/2030 14:03:22") is None
    True
    """
    if any(letter.isalpha() for letter in text[:9]):
        for form in _FORMS:
            if (found := form.match(text)) is not None:
                month = _MONTHS.index(found["month"][:3].lower()) + 1
                year = found["year"] if len(found["year"]) == 4 else f"20{found['year']}"
                return f"{year}-{month:02d}-{int(found['day']):02d} {found['clock'] or ''}".rstrip()
    if (found := _IN_ONE_PIECE.match(text)) is not None:
        year, month_, day, *clock, rest = found.groups()
        return f"{year}-{month_}-{day} {':'.join(clock) if clock[0] else ''}{rest}"
    return None
