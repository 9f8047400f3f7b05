"""A round with a class: join, answer, reveal, the board. The truth stays in its file until the trainer opens it."""

import hmac
import secrets
from collections import Counter
from typing import Any

from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, RedirectResponse, Response
from starlette.routing import Route

from vibeorder.classroom import (
    LONGEST_NAME,
    NOTHING,
    SchoolClass,
    Standing,
    Student,
    answer_question,
    grade,
    join_class,
    next_question,
    remove_student,
    reveal_question,
    standings,
)
from vibeorder.errors import VibeorderError
from vibeorder.web.classes import KeptClass, digest
from vibeorder.web.classroom_form import source_of
from vibeorder.web.guests import JOIN_PATH
from vibeorder.web.house import house_of
from vibeorder.web.network import qr_svg, secure_address
from vibeorder.web.pages.classroom_common import (
    classes_of,
    lesson_figures,
    question_of,
    set_token,
    token_of,
    truth_of,
)
from vibeorder.web.pages_common import form_text, render, sentence_of
from vibeorder.web.store import NotThereError
from vibeorder.web.tries import TooManyTriesError

__all__ = ["ROUTES", "shown"]


def shown(request: Request, name: str, error: str = "", status: int = 200) -> Response:
    """The open question as trainer or student sees it; to a stranger the way in."""
    kept = _kept(request, name)
    me = kept.school.student(digest(token_of(request, "student", name)))
    trainer = _is_trainer(request, kept)
    if me is None and not trainer:
        return _join_page(request, kept.code)
    school, number = kept.school, kept.school.current
    question = question_of(request, name, number)
    where = f"/classroom/{name}/{number}"
    truth = None if school.is_open else truth_of(request, name, number)
    tracks = truth["tracks"] if truth else []
    return render(
        request, "round.html", status, name=name, number=number, where=where, question=question, school=school,
        trainer=trainer, me=me, error=error, truth=truth, tracks=tracks, sounds=False,
        figures=lesson_figures(question, tracks, where), stamp=_stamp(school), nothing=f"{NOTHING[0]}@0",
        mine=_mine(question, truth, me, number), board=_board(request, kept),
        **_join_here(request, kept.code), votes=_votes(question, truth, school),
    )  # fmt: skip


async def join_form(request: Request) -> Response:
    """Where students come in; ?code= fills the code in."""
    return _join_page(request, request.query_params.get("code", "")[:10])


async def join(request: Request) -> Response:
    """Let a student in under the name typed."""
    form = await request.form()
    code, nickname = form_text(form, "code", 20), form_text(form, "nickname", 200)
    token = secrets.token_urlsafe(24)
    # the machine itself has every key already
    address = "" if request.state.local or not request.client else request.client.host
    try:
        kept = classes_of(request).enter(code, address)
        classes_of(request).change(kept.name, lambda school: join_class(school, digest(token), nickname))
    except VibeorderError as error:
        status = 429 if isinstance(error, TooManyTriesError) else 422
        return _join_page(request, code[:10], nickname[:LONGEST_NAME], sentence_of(error), status)
    answer = RedirectResponse(f"/classroom/{kept.name}", 303)
    set_token(request, answer, "student", kept.name, token)
    return answer


async def answer(request: Request) -> Response:
    """Take down a student's answer."""
    name = request.path_params["name"]
    form = await request.form()
    key = digest(token_of(request, "student", name))
    try:
        number = int(form_text(form, "question", 3) or 0) if form_text(form, "question", 3).isdigit() else 0
        said = source_of(form_text(form, "answer", 80))
        choices = _choices(question_of(request, name, _kept(request, name).school.current))
        classes_of(request).change(name, lambda school: answer_question(school, key, number, said, choices))
    except NotThereError:
        raise
    except VibeorderError as error:
        return shown(request, name, sentence_of(error), 422)
    return RedirectResponse(f"/classroom/{name}#answer", 303)


async def reveal(request: Request) -> Response:
    """Open the truth of the current question; the trainer only."""
    return await _by_trainer(request, reveal_question)


async def go_on(request: Request) -> Response:
    """On to the next question; the trainer only."""
    return await _by_trainer(request, next_question)


async def remove(request: Request) -> Response:
    """Take a student out of the class; the trainer only."""
    form = await request.form()
    return await _by_trainer(request, lambda school: remove_student(school, form_text(form, "nickname", 100)))


async def board(request: Request) -> Response:
    """The scoreboard for the projector."""
    kept = _kept(request, request.path_params["name"])
    return render(
        request, "board.html", name=kept.name, school=kept.school, board=_board(request, kept),
        **_join_here(request, kept.code), stamp=_stamp(kept.school), trainer=False,
    )  # fmt: skip


async def standing(request: Request) -> Response:
    """The board's table alone, for a script to put in place."""
    kept = _kept(request, request.path_params["name"])
    return render(
        request, "_standing.html", name=kept.name, school=kept.school, board=_board(request, kept),
        trainer=_is_trainer(request, kept),
    )  # fmt: skip


async def state(request: Request) -> Response:
    """{"stamp", "answered", "students"}: a new stamp is a new question or a reveal."""
    school = _kept(request, request.path_params["name"]).school
    return JSONResponse(
        {"stamp": _stamp(school), "answered": school.answered(), "students": len(school.students)}
    )


async def _by_trainer(request: Request, how: Any) -> Response:
    name = request.path_params["name"]
    if not _is_trainer(request, _kept(request, name)):
        raise HTTPException(403, "Only the trainer who opened this round may do that, in the same browser.")
    try:
        classes_of(request).change(name, how)
    except NotThereError:
        raise
    except VibeorderError as error:
        return shown(request, name, sentence_of(error), 422)
    return RedirectResponse(f"/classroom/{name}", 303)


def _kept(request: Request, name: str) -> KeptClass:
    kept = classes_of(request).get(name)
    if kept is None:
        raise NotThereError("there is no such class; it may have been thrown away as an old one")
    return kept


def _is_trainer(request: Request, kept: KeptClass) -> bool:
    given = digest(token_of(request, "trainer", kept.name))
    return bool(given) and hmac.compare_digest(given, kept.trainer)


def _join_page(
    request: Request, code: str, nickname: str = "", error: str = "", status: int = 200
) -> Response:
    return render(
        request, "join.html", status, code=code, nickname=nickname, error=error, longest=LONGEST_NAME
    )


def _board(request: Request, kept: KeptClass) -> tuple[Standing, ...]:
    groups = {
        q: [(str(part), float(order)) for part, order in truth_of(request, kept.name, q)["group"]]
        for q in kept.school.revealed
    }
    return standings(kept.school, groups)


def _choices(question: dict[str, Any]) -> list[tuple[str, float]]:
    return [
        NOTHING,
        *((one["part"], float(order)) for one in question["choices"] for order, _ in one["orders"]),
    ]


def _mine(
    question: dict[str, Any], truth: dict[str, Any] | None, me: Student | None, number: int
) -> dict[str, Any] | None:
    """A student's own answer: its key and words, and after the reveal what it was worth."""
    said = me.answer_to(number) if me is not None else None
    if said is None:
        return None
    key = f"{said[0]}@{said[1]:g}"
    mine: dict[str, Any] = {"key": key, "words": _words(question, key), "grade": None, "why_not": ""}
    if truth is not None:
        group = [(str(part), float(order)) for part, order in truth["group"]]
        mine |= {"grade": grade(group, said), "why_not": truth["why_not"].get(key, "")}
    return mine


def _votes(
    question: dict[str, Any], truth: dict[str, Any] | None, school: SchoolClass
) -> list[tuple[str, int]]:
    """After the reveal: how often each answer was given, most often first."""
    if truth is None:
        return []
    given = [one.answer_to(school.current) for one in school.students]
    counts = Counter(f"{a[0]}@{a[1]:g}" for a in given if a is not None)
    return [(_words(question, key), count) for key, count in counts.most_common()]


def _words(question: dict[str, Any], key: str) -> str:
    known = {
        f"{one['part']}@{order:g}": f"{one['name']}, {words}"
        for one in question["choices"]
        for order, words in one["orders"]
    }
    return known.get(key, "nothing that turns")


def _stamp(school: SchoolClass) -> str:
    return f"{school.current}{'' if school.is_open else '!'}"


def _join_here(request: Request, code: str) -> dict[str, Any]:
    """Where phones find the way in, in words and as a square to point a camera at; no square where none reaches us."""
    settings = house_of(request).settings
    address = secure_address(settings) + JOIN_PATH if secure_address(settings) else ""
    if not address and not request.state.local:  # then the address it was asked under reaches us
        address = str(request.url.replace(path=JOIN_PATH, query="", fragment=""))
    drawn = qr_svg(f"{address}?code={code}") if address else ""
    return {"code": code, "join_at": address, "join_qr": drawn}


ROUTES = [
    Route("/classroom/join", join_form),
    Route("/classroom/join", join, methods=["POST"]),
    Route("/classroom/{name}/answer", answer, methods=["POST"]),
    Route("/classroom/{name}/reveal", reveal, methods=["POST"]),
    Route("/classroom/{name}/next", go_on, methods=["POST"]),
    Route("/classroom/{name}/remove", remove, methods=["POST"]),
    Route("/classroom/{name}/board", board),
    Route("/classroom/{name}/standing", standing),
    Route("/classroom/{name}/state", state),
]
