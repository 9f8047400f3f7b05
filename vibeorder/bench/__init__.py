"""What the indicator, the inclinometer and the trial weight say: from the suspect to the cure.

One door for the command line and the page: parse what was typed (`parse_...`), compute (pure functions on
frozen dataclasses), put into words (`..._sheet`), render.
"""

from vibeorder.bench.answers import (
    Answer,
    answer_angles,
    answer_balance,
    answer_effect,
    answer_halfturn,
    answer_mate,
    answer_runout,
    answer_shaft,
)
from vibeorder.bench.balance import (
    Balance,
    Residual,
    Run,
    may_balance,
    residual_against_grade,
    solve_balance,
    two_clamps,
)
from vibeorder.bench.balance_words import balance_sheet, circle_sheet, residual_rows
from vibeorder.bench.effects import Effect, effect_of_runout, effect_sheet, left_after_balance
from vibeorder.bench.grades import SHAFT_GRADE, WHEEL_GRADE, grade_of, permissible_unbalance_kg_m
from vibeorder.bench.halfturn import (
    Mounting,
    Shares,
    as_mounting,
    halfturn_sheet,
    shares_of_parts,
    solve_mountings,
)
from vibeorder.bench.indicator import Indicator
from vibeorder.bench.joints import Driveline, JointCheck, JointLimits, Member, check_joints
from vibeorder.bench.marked import first_order_vector, mark_times_s
from vibeorder.bench.mating import Mating, best_index_deg, bolt_positions_deg, mate, mating_sheet
from vibeorder.bench.places import PLACES, Place, find_place
from vibeorder.bench.plots import runout_figure, save_figure, vectors_figure
from vibeorder.bench.readings import Extremes, Readings, name_angle, parse_extreme, parse_readings
from vibeorder.bench.runout import Runout, RunoutLimit, measure_runout, runout_from_extremes
from vibeorder.bench.runout_words import runout_sheet
from vibeorder.bench.shaft import (
    MATERIALS,
    SAFETY_FRACTION,
    ShaftCheck,
    Tube,
    check_shaft,
    shaft_rate_hz,
    shaft_sheet,
)
from vibeorder.bench.sheet import Sheet, as_json, render
from vibeorder.bench.shims import Change, angles_sheet, center_spacer, pinion_shim
from vibeorder.bench.trial_circles import CircleBalance, Trial, balance_by_amplitudes
from vibeorder.bench.typed import (
    limit_for,
    parse_driveline,
    parse_limit,
    parse_mount,
    parse_run,
    parse_runout_share,
    parse_shake,
    runs_or_trials,
)
from vibeorder.bench.vectors import Vector, from_polar

__all__ = [
    "MATERIALS",
    "PLACES",
    "SAFETY_FRACTION",
    "SHAFT_GRADE",
    "WHEEL_GRADE",
    "Answer",
    "Balance",
    "Change",
    "CircleBalance",
    "Driveline",
    "Effect",
    "Extremes",
    "Indicator",
    "JointCheck",
    "JointLimits",
    "Mating",
    "Member",
    "Mounting",
    "Place",
    "Readings",
    "Residual",
    "Run",
    "Runout",
    "RunoutLimit",
    "ShaftCheck",
    "Shares",
    "Sheet",
    "Trial",
    "Tube",
    "Vector",
    "angles_sheet",
    "answer_angles",
    "answer_balance",
    "answer_effect",
    "answer_halfturn",
    "answer_mate",
    "answer_runout",
    "answer_shaft",
    "as_json",
    "as_mounting",
    "balance_by_amplitudes",
    "balance_sheet",
    "best_index_deg",
    "bolt_positions_deg",
    "center_spacer",
    "check_joints",
    "check_shaft",
    "circle_sheet",
    "effect_of_runout",
    "effect_sheet",
    "find_place",
    "first_order_vector",
    "from_polar",
    "grade_of",
    "halfturn_sheet",
    "left_after_balance",
    "limit_for",
    "mark_times_s",
    "mate",
    "mating_sheet",
    "may_balance",
    "measure_runout",
    "name_angle",
    "parse_driveline",
    "parse_extreme",
    "parse_limit",
    "parse_mount",
    "parse_readings",
    "parse_run",
    "parse_runout_share",
    "parse_shake",
    "permissible_unbalance_kg_m",
    "pinion_shim",
    "render",
    "residual_against_grade",
    "residual_rows",
    "runout_figure",
    "runout_from_extremes",
    "runout_sheet",
    "runs_or_trials",
    "save_figure",
    "shaft_rate_hz",
    "shaft_sheet",
    "shares_of_parts",
    "solve_balance",
    "solve_mountings",
    "two_clamps",
    "vectors_figure",
]
