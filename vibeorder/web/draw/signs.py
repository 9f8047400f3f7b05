"""A part's own sign as a small picture beside a line of text."""

from vibeorder.web.draw.frequency import DASHES, part_class, shape, style_name

__all__ = ["sign_svg"]


def sign_svg(part: str, *, filled: bool = True) -> str:
    """Sign and a piece of the part's dashed line; decoration, the text beside it says the same."""
    return (
        f'<svg class="sign-key {part_class(part)}" viewBox="0 0 60 20" aria-hidden="true" focusable="false">'
        f'<path class="dash" fill="none" stroke="currentColor" stroke-dasharray="{DASHES[style_name(part)]}" '
        f'd="M20 10H60"/>'
        f"{shape(part, 9, 10, 13, filled=filled)}</svg>"
    )
