"""A finished diagnosis for eyes, ears and programs: text, picture, sheet and JSON. Nothing computes."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from vibeorder.report.as_json import SCHEMA, as_dict, as_json  # named as its module: never of late

if TYPE_CHECKING:
    from vibeorder.report.figures import draw, png_bytes, save_figure
    from vibeorder.report.sheet import as_html
    from vibeorder.report.terminal import as_text
    from vibeorder.report.why_figure import draw_why, save_why

__all__ = [
    "SCHEMA",
    "as_dict",
    "as_html",
    "as_json",
    "as_text",
    "draw",
    "draw_why",
    "png_bytes",
    "save_figure",
    "save_why",
]

_WHERE = {
    "draw": "figures",
    "png_bytes": "figures",
    "save_figure": "figures",
    "as_html": "sheet",
    "as_text": "terminal",
    "draw_why": "why_figure",
    "save_why": "why_figure",
}


def __getattr__(name: str) -> Any:
    """What is asked for, imported when it first is: a diagnosis needs few of these, and waits for all it imports."""
    if name not in _WHERE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_WHERE[name]}"), name)
