"""What the number of a driveshaft's pieces changes in its causes and its first check. common practice, no source."""

from dataclasses import replace

from vibeorder.vehicle.catalogue_entry import Source

__all__ = ["TWO_PIECE", "for_pieces"]

TWO_PIECE = "two-piece shaft: "
"""Before a cause that only a shaft with a center bearing has; it is said so where the pieces are not known."""

_CHECKS = {
    1.0: "Of a shaft in pieces also: the center bearing's rubber and bracket by hand, and the tube of each piece.",
    2.0: "Of a shaft in pieces also: the slope of each piece, for the angle of the joint behind the center "
    "bearing, and the bearing's height.",
}


def for_pieces(source: Source, pieces: int | None) -> Source:
    """A driveshaft's entry as it concerns a shaft of so many pieces; None where that is not known."""
    if pieces is None or source.part != "driveshaft":
        return source
    if pieces == 1:
        return replace(source, causes=tuple(c for c in source.causes if not c.startswith(TWO_PIECE)))
    causes = tuple(cause.removeprefix(TWO_PIECE) for cause in source.causes)
    check = f"{source.first_check} {_CHECKS.get(source.order, '')}".rstrip()
    return replace(source, causes=causes, first_check=check)
