"""The catalogue: every part that turns, x every order it shakes at -> usual causes, first check, what never.

Data, and a lookup for one vehicle. A new source is one entry in `CATALOGUE`; nothing else changes.
Causes, checks and rules are common practice, no source.

The healthy figures are priors by order of magnitude, not measurements: how often a sound vehicle at road
speed shows that line at all, and how strong it then is (median of the vector rms over a record, m/s^2,
log-normal). They follow from the perception threshold (about 0.015 m/s^2 peak, value from memory): a vehicle
is sold as smooth when its first orders lie near it and the higher ones below, while firing is felt in most
engines. A tire's are higher than those: real drives of sound vehicles (a city bus, two cars, open data) show
a first order of 0.02 to 0.1 m/s^2, and second and third orders that may exceed it. The spread of 0.7 (a
factor of two either way) covers where the phone lay and how the body passes the shake on.
"""

from dataclasses import replace

from vibeorder.vehicle.catalogue_entry import Source
from vibeorder.vehicle.model import Vehicle
from vibeorder.vehicle.rotors import rotors
from vibeorder.vehicle.shaft_pieces import TWO_PIECE, for_pieces
from vibeorder.vehicle.trade import CAUTIONS, COSTS_NOTHING_FIRST, WHICH_WHEEL, feel_of

__all__ = [
    "BALANCE_ONLY_FIRST_ORDER",
    "CATALOGUE",
    "CAUTIONS",
    "COSTS_NOTHING_FIRST",
    "RUNOUT_BEFORE_BALANCE",
    "WHICH_WHEEL",
    "Source",
    "feel_of",
    "firing_order",
    "order_words",
    "sources_of",
]

# The rules that every screen quotes from here. common practice, no source.
RUNOUT_BEFORE_BALANCE = (
    "Runout before balance: bring out-of-round within the maker's limit first, "
    "and balance only what runs true and still shakes."
)
BALANCE_ONLY_FIRST_ORDER = (
    "Never balance for this: balancing cures only the first order, one shake a turn; this is not one."
)
NO_WEIGHTS_ON_THE_CRANKSHAFT = (
    "Do not hang weights on the crankshaft damper, flexplate or converter to quiet it: find the part that "
    "is out of true, out of place or on its mounts first."
)

FIRING = 0.0  # stands for the firing order in CATALOGUE; `sources_of` puts the engine's own in its place
ACCESSORY = "accessory:NAME"  # stands for each accessory of the vehicle

HEALTHY_LOG_SD = 0.7
HEALTHY_TIRE_LOG_SD = 0.6  # of one order; how lively the whole set is comes on top, in diagnosis/classes.py

# How the amplitude grows with the part's rate: unbalance and a carried-round offset force with the square;
# higher orders come from shape and joints, whose motion, not force, is given; an engine's follows its load.
GROWTH_FIRST = 2.0
GROWTH_HIGHER = 1.0
GROWTH_ENGINE = 0.5


def sources_of(vehicle: Vehicle) -> tuple[Source, ...]:
    """Every source that `vehicle` has, each (part, order) once, in the order of the catalogue.

    Where the firing order equals another one (2x of a four-cylinder), the firing entry stands for both.
    """
    parts = dict.fromkeys(rotor.part for rotor in rotors(vehicle))
    firing = firing_order(vehicle)
    found: list[Source] = []
    for source in CATALOGUE:
        if source.part == ACCESSORY:
            found.extend(_for_accessory(source, part) for part in parts if part.startswith("accessory:"))
        elif source.part not in parts or (source.part == "engine" and source.order == firing):
            continue
        elif source.order == FIRING:
            if firing is not None:
                found.append(_firing(source, firing))
        else:
            found.append(for_pieces(source, vehicle.shaft_pieces))
    return tuple(found)


def firing_order(vehicle: Vehicle) -> float | None:
    """Firings per engine turn: cylinders / 2 for four strokes, cylinders for two; None where not known.

    Even firing is taken; an odd-firing engine has lines at 1.5x beside it.
    """
    if not vehicle.cylinders:
        return None
    return vehicle.cylinders / (2.0 if vehicle.strokes == 4 else 1.0)


def order_words(order: float) -> str:
    """An order as it is spoken, with its figure: "first order (1x)"."""
    words = {0.5: "half", 1.0: "first", 1.5: "one-and-a-half", 2.0: "second", 3.0: "third", 4.0: "fourth"}
    return f"{words[order]} order ({order:g}x)" if order in words else f"{order:g}x order"


def _for_accessory(source: Source, part: str) -> Source:
    name = part.partition(":")[2]
    return replace(source, part=part, label=source.label.replace("NAME", name))


def _firing(source: Source, firing: float) -> Source:
    """The firing entry at the engine's own order; speaks for the crankshaft's too where both coincide."""
    named = replace(source, order=firing, label=f"engine, cylinder firing ({firing:g}x)")
    twin = next((s for s in CATALOGUE if s.part == "engine" and s.order == firing), None)
    if twin is None:
        return named
    note = f"{source.note} At the same rate: {'; '.join(twin.causes)}."
    return replace(named, note=note, runout_where=twin.runout_where, never=twin.never)


def _entry(
    part: str,
    order: float,
    named: str,
    *,
    prior: float,
    growth: float,
    healthy: tuple[float, float],
    causes: tuple[str, ...],
    first_check: str,
    runout_where: str = "",
    never: str = BALANCE_ONLY_FIRST_ORDER,
    note: str = "",
) -> Source:
    """`named`: the part in words. `healthy`: presence, and median in m/s^2."""
    label = f"{named}, cylinder firing" if order == FIRING else f"{named}, {order_words(order)}"
    presence, median = healthy
    return Source(
        part, order, label, prior, growth, presence, median,
        HEALTHY_TIRE_LOG_SD if part == "tire_wheel" else HEALTHY_LOG_SD,
        causes, first_check, runout_where, never, note,
    )  # fmt: skip


_TREAD = (
    "the tread center (radial) and the sidewall (lateral) of each tire; where over the limit, the rim at "
    "both bead seats"
)

_WHEELS = (
    _entry(
        "tire_wheel", 1.0, "tire or wheel", prior=3.0, growth=GROWTH_FIRST, healthy=(0.9, 0.025),
        causes=(
            "tire out of round, or stiffer on one side",
            "bent rim",
            "wheel not centered on its hub, or tire not seated on its rim",
            "out of balance: lost weight, mud or snow in the rim",
            "flat spot from standing or from a locked wheel, or a broken belt",
            "hub or axle flange out of true",
        ),
        first_check="Pressure, mud, lost weights and bulges first; then a dial indicator on the tread "
        "center and the sidewall of each wheel, then on the rim, then on the hub flange and its pilot. Tire "
        "against rim: turn the tire half a turn on its rim and measure again. Balance last.",
        runout_where=f"{_TREAD}, then the hub flange",
        never=RUNOUT_BEFORE_BALANCE,
        note=WHICH_WHEEL,
    ),
    _entry(
        "tire_wheel", 2.0, "tire or wheel", prior=1.0, growth=GROWTH_HIGHER, healthy=(0.8, 0.017),
        causes=(
            "oval tire: two high spots, or two stiff ones, half a turn apart",
            "rim pressed oval by a hard hit",
            "flat spots on opposite sides",
        ),
        first_check="Dial indicator round the tread center: look for two high spots half a turn apart; then "
        "the same on the bead seats. A true reading all round leaves tire stiffness: try another tire in "
        "its place.",
        runout_where=_TREAD,
        note=WHICH_WHEEL,
    ),
    _entry(
        "tire_wheel", 3.0, "tire or wheel", prior=0.5, growth=GROWTH_HIGHER, healthy=(0.7, 0.012),
        causes=(
            "tire with three high or stiff spots: splices of belt and carcass, uneven wear",
            "wheel drawn out of shape by uneven lug-nut torque",
        ),
        first_check="Feel and measure the tread for three high spots; check the wheel face for burrs and "
        "rust and torque the nuts crosswise; then try another tire in its place. With half-shafts, judge "
        "the inner joints first if it comes and goes with throttle.",
        runout_where=_TREAD,
        note=WHICH_WHEEL,
    ),
    _entry(
        "tire_wheel", 4.0, "tire or wheel", prior=0.5, growth=GROWTH_HIGHER, healthy=(0.5, 0.007),
        causes=(
            "cupped or flat-spotted tread with four high spots",
            "wheel drawn out of shape by uneven lug-nut torque",
        ),
        first_check="Run a hand round the tread for cups and flats, measure it for four high spots; torque "
        "the nuts crosswise; then try another tire in its place, and look to dampers and alignment if it is "
        "cupped.",
        runout_where=_TREAD,
        note=WHICH_WHEEL,
    ),
    _entry(
        "half_shaft", 1.0, "half-shaft", prior=0.5, growth=GROWTH_FIRST, healthy=(0.1, 0.004),
        causes=(
            "bent half-shaft",
            "wheel hub or output flange out of true",
            "slipped or lost damper ring on the shaft",
        ),
        first_check="Turns at the rate of its wheel: clear tire and wheel first. Then a dial indicator on "
        "the middle of the shaft's bar and on the hub flange, wheel off, joint boots and damper ring looked "
        "over.",
        runout_where="the middle of the half-shaft's bar, then the hub flange",
        never=RUNOUT_BEFORE_BALANCE,
        note="Cannot be told from a tire's first order by any spectrum.",
    ),
    _entry(
        "half_shaft", 3.0, "half-shaft", prior=0.8, growth=GROWTH_HIGHER, healthy=(0.2, 0.004),
        causes=(
            "worn or dry inner three-roller joint: three shakes a turn, under load",
            "joint too steep: ride height raised, or a drivetrain mount sagged",
        ),
        first_check="Same speed pulling and coasting: this one comes with throttle and goes when coasting. "
        "Then ride height and drivetrain mounts, the joint's angle, and the inner joint's housing for wear "
        "marks.",
        note="A tire's third order does not change with throttle.",
    ),
)  # fmt: skip

_SHAFT_FIRST_CAUSES = (
    "pinion flange or yoke out of true or off center",
    "bent or dented tube",
    "lost balance weight, or undercoating or mud on the tube",
    "shaft refitted in another position on its flange, or a joint not centered in its yoke",
)
_SHAFT_SECOND_CAUSES = (
    "working angles of the joints unequal or too steep",
    "yokes out of phase: assembled a spline off, or a twisted tube",
    "worn, dry or binding universal joint",
)
_ANGLES_CHECK = (
    "measure the slopes of {ends} at ride height and work out each joint's working angle; check the phasing "
    "of the yokes; then turn each joint by hand for binding and play. No runout check: it says nothing "
    "about this."
)

_SHAFTS = (
    _entry(
        "driveshaft", 1.0, "driveshaft", prior=2.0, growth=GROWTH_FIRST, healthy=(0.7, 0.010),
        causes=(*_SHAFT_FIRST_CAUSES, f"{TWO_PIECE}center bearing worn or its bracket loose"),
        first_check="Look for dents, dirt and bare patches where a weight was welded; then a dial indicator "
        "on the tube, front, middle and rear, then on the pinion flange. Shaft against flange: turn the "
        "shaft half a turn on its flange and measure again. Balance only a shaft that runs true.",
        runout_where="the driveshaft tube at front, middle and rear, then the pinion flange",
        never=RUNOUT_BEFORE_BALANCE,
        note="In a 1.00 gear with the converter locked the engine turns at the same rate.",
    ),
    _entry(
        "driveshaft", 2.0, "driveshaft", prior=1.5, growth=GROWTH_HIGHER, healthy=(0.5, 0.006),
        causes=(
            *_SHAFT_SECOND_CAUSES,
            "pinion angle or ride height changed: springs, blocks, worn mount, load",
            f"{TWO_PIECE}center bearing at the wrong height",
        ),
        first_check="Worst pulling away or on load: "
        + _ANGLES_CHECK.format(ends="the transmission output, the shaft and the pinion"),
    ),
    _entry(
        "front_driveshaft", 1.0, "front driveshaft", prior=1.0, growth=GROWTH_FIRST, healthy=(0.7, 0.010),
        causes=_SHAFT_FIRST_CAUSES,
        first_check="Take the front shaft out, where the maker allows driving so, and drive again: the "
        "shake gone means this shaft or its flanges. Then a dial indicator on its tube, front, middle and "
        "rear, and on the front pinion and transfer-case flanges.",
        runout_where="the front driveshaft tube at front, middle and rear, then the front pinion flange",
        never=RUNOUT_BEFORE_BALANCE,
        note="Where both axle ratios and tire sizes are equal it turns at the rear driveshaft's rate.",
    ),
    _entry(
        "front_driveshaft", 2.0, "front driveshaft", prior=1.0, growth=GROWTH_HIGHER, healthy=(0.5, 0.006),
        causes=(*_SHAFT_SECOND_CAUSES, "worn centring ball in a double joint", "lifted suspension"),
        first_check="Take the front shaft out, where the maker allows driving so, and drive again. Then "
        + _ANGLES_CHECK.format(ends="the transfer case, the shaft and the front pinion"),
    ),
)  # fmt: skip

_ENGINE = (
    _entry(
        "engine", 0.5, "engine", prior=0.8, growth=GROWTH_ENGINE, healthy=(0.2, 0.004),
        causes=(
            "one cylinder not pulling like the others: spark, injector, compression",
            "a part that turns at camshaft rate",
        ),
        first_check="Misfire counts and a cylinder contribution test with the scan tool, under load; then "
        "spark, fuel and compression of the weak one.",
    ),
    _entry(
        "engine", 1.0, "engine", prior=1.0, growth=GROWTH_ENGINE, healthy=(0.5, 0.008),
        causes=(
            "crankshaft damper out of true, or its rubber let go",
            "flexplate cracked or bent, converter off its pilot, clutch or flywheel fitted out of place",
            "collapsed engine or transmission mount that lets normal unbalance through",
        ),
        first_check="Try the same rpm standing, in neutral: it stays if it is the engine. Belt off for a "
        "short run: gone means an accessory. Then mounts; then a dial indicator on the damper's rim and "
        "face, and, with the converter unbolted and pushed back, on the flexplate; the converter may be "
        "re-indexed half a turn.",
        runout_where="the crankshaft damper's rim and face, then the flexplate or flywheel",
        never=NO_WEIGHTS_ON_THE_CRANKSHAFT,
        note="Usual in some measure on three and five cylinders in line, and on a V6 without balance shaft.",
    ),
    _entry(
        "engine", 1.5, "engine", prior=0.5, growth=GROWTH_ENGINE, healthy=(0.2, 0.004),
        causes=(
            "one cylinder not pulling like the others",
            "one bank fed differently from the other: air leak, exhaust restriction",
        ),
        first_check="Misfire counts, fuel trims of both banks and a cylinder contribution test with the scan "
        "tool, under load.",
        note="Usual on a V6 that fires at uneven intervals.",
    ),
    _entry(
        "engine", 2.0, "engine", prior=0.7, growth=GROWTH_ENGINE, healthy=(0.3, 0.005),
        causes=(
            "collapsed or bottomed engine or transmission mount",
            "balance shaft out of time",
            "exhaust or bracket touching the body",
        ),
        first_check="Try the same rpm standing, in neutral; then mounts and what touches the body; then the "
        "timing of the balance shafts, where there are any.",
        note="The pistons' own second-order force: normal on a four-cylinder without balance shafts.",
    ),
    _entry(
        "engine", FIRING, "engine", prior=1.0, growth=GROWTH_ENGINE, healthy=(0.9, 0.020),
        causes=(
            "engine or transmission mount collapsed, bottomed, or tightened under strain",
            "exhaust, hanger or bracket touching the body",
            "lugging: converter clutch locked too low, or the wrong gear for the load",
            "damper or dual-mass flywheel worn out",
        ),
        first_check="Every engine has this line: judge it against a like vehicle. Then the same rpm "
        "standing, in neutral; one gear lower at the same road speed; mounts; what touches the body; then "
        "the flywheel.",
        note="Firing is a push, not an unbalance.",
    ),
    _entry(
        ACCESSORY, 1.0, "NAME", prior=0.5, growth=GROWTH_FIRST, healthy=(0.3, 0.004),
        causes=("bent or loose pulley", "worn bearing", "loose or cracked bracket", "damaged belt"),
        first_check="At standstill at the same rpm, switch its load on and off; belt off for a short run: "
        "gone means an accessory. Then spin each pulley by hand, and a dial indicator on its rim and face.",
        runout_where="the pulley's rim and face",
        never=RUNOUT_BEFORE_BALANCE,
        note="Belt slip leaves its rate about one percent unknown.",
    ),
    _entry(
        "motor", 1.0, "electric motor", prior=0.7, growth=GROWTH_FIRST, healthy=(0.4, 0.006),
        causes=(
            "rotor out of balance, or a worn rotor bearing",
            "spline between motor and reduction gear worn or off center",
            "collapsed drive-unit mount",
        ),
        first_check="Same speed pulling, coasting and recuperating: a rotor's own shake stays, a spline's "
        "changes. Then the drive unit's mounts and what touches the body; the rotor itself is a matter for "
        "the maker.",
        never="Do not open the drive unit for this: high voltage, and the rotor is balanced where it is "
        "made.",
        note="The rotor is sealed in: no place for an indicator.",
    ),
)  # fmt: skip

CATALOGUE: tuple[Source, ...] = (*_WHEELS, *_SHAFTS, *_ENGINE)
