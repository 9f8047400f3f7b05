"""A class in a round: who is in it, which question is open, who answered what, who has how many points.

Frozen values and pure functions; who keeps a class writes `as_dict` to a file and reads it with `class_from`.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

from vibeorder.classroom.mystery import Answer, Grade, grade
from vibeorder.errors import VibeorderError

__all__ = [
    "LONGEST_NAME",
    "MOST_STUDENTS",
    "SchoolClass",
    "Standing",
    "Student",
    "answer_question",
    "as_dict",
    "class_from",
    "join_class",
    "next_question",
    "remove_student",
    "reveal_question",
    "standings",
]

LONGEST_NAME = 20
"""Fits a line of the scoreboard on a projector."""
MOST_STUDENTS = 60


@dataclass(frozen=True, slots=True)
class Student:
    """One who joined. answers: (question, part, order), the last one of each question."""

    key: str
    name: str
    answers: tuple[tuple[int, str, float], ...] = ()

    def answer_to(self, question: int) -> Answer | None:
        """What was answered, or None."""
        return next(((part, order) for q, part, order in self.answers if q == question), None)


@dataclass(frozen=True, slots=True)
class SchoolClass:
    """A round under way. current: number of the open question, from 1. revealed: numbers already revealed."""

    questions: int
    current: int = 1
    revealed: tuple[int, ...] = ()
    students: tuple[Student, ...] = ()

    @property
    def is_open(self) -> bool:
        """Whether the current question may still be answered."""
        return self.current not in self.revealed

    @property
    def is_over(self) -> bool:
        """Whether the last question is revealed."""
        return self.questions in self.revealed

    def student(self, key: str) -> Student | None:
        """Who has this key, or None."""
        return next((one for one in self.students if key and one.key == key), None)

    def answered(self) -> int:
        """How many have answered the current question."""
        return sum(one.answer_to(self.current) is not None for one in self.students)


@dataclass(frozen=True, slots=True)
class Standing:
    """One line of the board. place: shared by equal points. grades: of each revealed question, None unanswered."""

    place: int
    name: str
    points: float
    grades: tuple[Grade | None, ...]
    answered: bool


def join_class(school: SchoolClass, key: str, name: str) -> SchoolClass:
    """Let somebody in under a name that nobody else has. Raises VibeorderError."""
    shown = " ".join("".join(c if c.isprintable() else " " for c in name).split())
    if not shown:
        raise VibeorderError("type a name for the scoreboard; a first name or a nickname will do")
    if len(shown) > LONGEST_NAME:
        raise VibeorderError(f"that name is longer than {LONGEST_NAME} characters; shorten it")
    if any(one.name.casefold() == shown.casefold() for one in school.students):
        raise VibeorderError(f"somebody here is called {shown} already; add a letter")
    if len(school.students) >= MOST_STUDENTS:
        raise VibeorderError(f"this class is full with {MOST_STUDENTS} students")
    return replace(school, students=(*school.students, Student(key, shown)))


def answer_question(
    school: SchoolClass, key: str, question: int, answer: Answer, choices: Sequence[Answer]
) -> SchoolClass:
    """Take down an answer to the open question; a later one replaces it until the reveal. Raises VibeorderError."""
    who = school.student(key)
    if who is None:
        raise VibeorderError("join the class first, with the code on the board")
    if question != school.current or not school.is_open:
        raise VibeorderError("this question is closed; what was answered before counts")
    if answer not in choices:
        raise VibeorderError("choose a part and an order from the list")
    others = tuple(one for one in who.answers if one[0] != question)
    changed = replace(who, answers=(*others, (question, *answer)))
    return replace(school, students=tuple(changed if one is who else one for one in school.students))


def remove_student(school: SchoolClass, name: str) -> SchoolClass:
    """Take somebody out, with all points; nothing where nobody has that name."""
    return replace(school, students=tuple(one for one in school.students if one.name != name))


def reveal_question(school: SchoolClass) -> SchoolClass:
    """Close the current question and open its truth."""
    if not school.is_open:
        return school
    return replace(school, revealed=(*school.revealed, school.current))


def next_question(school: SchoolClass) -> SchoolClass:
    """Go on to the next one. Raises VibeorderError while this one is open, or at the end."""
    if school.is_open:
        raise VibeorderError("reveal this question before going on to the next")
    if school.current >= school.questions:
        raise VibeorderError("that was the last question of the round")
    return replace(school, current=school.current + 1)


def standings(school: SchoolClass, groups: Mapping[int, Sequence[Answer]]) -> tuple[Standing, ...]:
    """The board, most points first, then by name.

    groups: truth group of each *revealed* question; an answer to any other question counts nothing yet.
    """
    lines = []
    for one in school.students:
        given = {q: one.answer_to(q) for q in school.revealed}
        grades = tuple(
            None if (said := given[q]) is None else grade(groups[q], said) for q in school.revealed
        )
        points = sum(g.points for g in grades if g is not None)
        lines.append((points, one.name, grades, one.answer_to(school.current) is not None))
    lines.sort(key=lambda line: (-line[0], line[1].casefold()))
    return tuple(
        Standing(1 + sum(other[0] > points for other in lines), name, points, grades, answered)
        for points, name, grades, answered in lines
    )


def as_dict(school: SchoolClass) -> dict[str, Any]:
    """Plain values for a JSON file."""
    return {
        "questions": school.questions,
        "current": school.current,
        "revealed": list(school.revealed),
        "students": [
            {"key": one.key, "name": one.name, "answers": [list(a) for a in one.answers]}
            for one in school.students
        ],
    }


def class_from(kept: Mapping[str, Any]) -> SchoolClass:
    """A class out of what `as_dict` gave."""
    return SchoolClass(
        int(kept["questions"]),
        int(kept["current"]),
        tuple(int(q) for q in kept["revealed"]),
        tuple(
            Student(
                str(one["key"]),
                str(one["name"]),
                tuple((int(q), str(part), float(order)) for q, part, order in one["answers"]),
            )
            for one in kept["students"]
        ),
    )
