"""A finished diagnosis for eyes, ears and programs: text, picture, sheet and JSON. Nothing computes."""

from vibeorder.report.as_json import SCHEMA, as_dict, as_json
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
