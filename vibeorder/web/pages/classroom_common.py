"""What the classroom's pages share: who somebody is in a class, a question's file, its figures."""

from collections.abc import Mapping, Sequence
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from vibeorder.web.classes import SCHOOL_DAY_S, Classes
from vibeorder.web.draw.lesson import lesson_svg
from vibeorder.web.draw.signs import sign_svg
from vibeorder.web.house import house_of
from vibeorder.web.store import NotThereError
from vibeorder.web.tasks.lesson import QUESTION_FILE, TRUTH_FILE
from vibeorder.web.view import MAP_DAY, MAP_NIGHT

__all__ = ["classes_of", "lesson_figures", "question_of", "set_token", "token_of", "truth_of"]


def classes_of(request: Request) -> Classes:
    """The classes of the house."""
    return house_of(request).classes


def token_of(request: Request, role: str, name: str) -> str:
    """The token of a role ("trainer" or "student") in a class that the browser carries, or ''."""
    return request.cookies.get(f"vibeorder_{role}_{name}", "")[:100]


def set_token(request: Request, answer: Response, role: str, name: str, token: str) -> None:
    """Give the browser its token, sent back to this class's pages only and out of reach of scripts.

    It lasts a school day: a browser closed by mistake does not end the round.
    """
    answer.set_cookie(
        f"vibeorder_{role}_{name}", token, max_age=round(SCHOOL_DAY_S), path=f"/classroom/{name}", httponly=True,
        samesite="strict", secure=request.url.scheme == "https",
    )  # fmt: skip


def question_of(request: Request, name: str, number: int) -> dict[str, Any]:
    """What may be seen of a question. Raises NotThereError."""
    return _read(request, name, f"{number}/{QUESTION_FILE}")


def truth_of(request: Request, name: str, number: int) -> dict[str, Any]:
    """What is kept to the reveal. Only for a question that is revealed, or to count points of one."""
    return _read(request, name, f"{number}/{TRUTH_FILE}")


def lesson_figures(question: Mapping[str, Any], tracks: Sequence[dict[str, Any]], where: str) -> list[str]:
    """The drawing for wide and for narrow screens; gives each track its sign besides."""
    for one in tracks:
        one["sign"] = sign_svg(one["part"])
    day, night = f"{where}/{MAP_DAY}", f"{where}/{MAP_NIGHT}"
    return [lesson_svg(question["picture"], tracks, day, night, wide=wide) for wide in (True, False)]


def _read(request: Request, name: str, file: str) -> dict[str, Any]:
    kept = house_of(request).store.read_json(name, file)
    if not isinstance(kept, dict):
        raise NotThereError("this question is not there any more; make a new round")
    return kept
