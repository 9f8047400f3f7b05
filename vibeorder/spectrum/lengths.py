"""Lengths that transform fast."""

from functools import lru_cache

__all__ = ["fast_length"]


@lru_cache(maxsize=256)
def fast_length(least: int, even: bool = False) -> int:
    """The next length, from `least` on, of factors 2, 3 and 5 only, and even where asked for."""
    best = 2 if even else 1
    while best < least:
        best *= 2
    fives = 1
    while fives < best:
        odd = fives
        while odd < best:
            length = odd * (2 if even else 1)
            while length < least:
                length *= 2
            best = min(best, length)
            odd *= 3
        fives *= 5
    return best
