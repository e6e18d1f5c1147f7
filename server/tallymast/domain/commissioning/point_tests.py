"""How each kind of point is proven: what is done at the site, what has to be seen, what to mind.

A check-out itself sends nothing to an output. Outputs are operated by hand at the site, under the
rules that hold there, or ordered from here by an order of its own, which is confirmed and stored
like any other; their effect is read back.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tallymast.domain.commissioning.loop_check import TOLERANCE_PCT, has_five_points
from tallymast.domain.model import Point, PointKind, Site


class Way(StrEnum):
    """What a check-out does with a point."""

    FIVE = "five"  # 0, 25, 50, 75, 100 % of the span applied
    ONE = "one"  # one known value beside the one that is shown
    STATES = "states"  # both states seen
    COUNT = "count"  # so many applied, so many counted
    LOOK = "look"  # a person looks whether it is right


@dataclass(frozen=True, slots=True)
class Method:
    """How one point is proven.

    Attributes:
        how: what to do, in a sentence or two.
        applied_word: what a typed value is called.
        tolerance_pct: offered at first [% of span, or of what is expected].
        count: how many are offered to be applied to a counter.
        operates: whether something moves or is switched at the site.

    """

    way: Way
    how: str
    applied_word: str = "applied"
    tolerance_pct: float = TOLERANCE_PCT
    count: int = 0
    operates: bool = False


SUPPLY_TOLERANCE_PCT: Final = 1.0  # ours: a hand meter and a 10-bit converter, of what is expected
RATE_TOLERANCE_PCT: Final = 2.0  # ours: a rate over some seconds of pulses, of what is expected
TEMPERATURE_TOLERANCE_PCT: Final = 2.0  # ours: 2 °C of 100
PULSES: Final = 10  # ours: enough to see doubled or lost pulses, few enough to count by hand

OPERATED: Final = (
    PointKind.DISCRETE_OUTPUT,
    PointKind.PULSE_OUTPUT,
    PointKind.ANALOG_OUTPUT,
)

# OSHA 29 CFR 1910.147 (energy control); the rest is common practice, no published source.
OUTPUT_CAUTIONS: Final = (
    "Outputs are operated by hand at the site, or ordered from here, each by an order of its own "
    "that is confirmed first; what comes of it is read back. One of the two at a time: agree who "
    "operates.",
    "People clear, guards on: pumps start, gates and valves move and pinch, pressure follows.",
    "Work on what an output drives only under lock-out and tag-out at the site (29 CFR 1910.147 or "
    "local law). A screen, this one too, is never a lock-out.",
    "Where water, product or pressure goes afterwards is agreed with whoever answers for it, "
    "before anything is operated.",
)
APPLIED_CAUTIONS: Final = (
    "A loop that is opened or driven reads wrong for everybody: alarms and controls that hang on "
    "it are put by first, here and at the station.",
    "In a classified area only what the area drawing, the ratings and the local electrical code "
    "allow is connected, opened or disconnected.",
)

_READ_BACK = "By hand at the station, or ordered from here: "


def method_of(point: Point) -> Method:
    """Return how a point is proven."""
    return _METHODS[point.kind](point)


def _discrete_input(point: Point) -> Method:
    off, on = state_words(point)
    return Method(
        Way.STATES,
        f"Work the contact at the site until both states were seen here: {off} and {on}.",
        operates=True,
    )


def _discrete_output(point: Point) -> Method:
    off, on = state_words(point)
    how = f"{_READ_BACK}switch it until both {off} and {on} were read back"
    return Method(Way.STATES, f"{how}{_effect(point)}.{_fail_safe(point)}", operates=True)


def _pulse_output(point: Point) -> Method:
    how = f"{_READ_BACK}give one pulse and watch it end by itself"
    return Method(Way.LOOK, f"{how}{_effect(point)}.{_fail_safe(point)}", operates=True)


def _analog_output(point: Point) -> Method:
    how = f"{_READ_BACK}set it, and measure at the station what comes out"
    way = Way.FIVE if has_five_points(point) else Way.ONE
    return Method(way, f"{how}{_effect(point)}.{_fail_safe(point)}", "measured", operates=True)


def _analog_input(point: Point) -> Method:
    if point.loop is not None:
        return Method(
            Way.FIVE,
            "Drive the loop from a calibrator in place of the transmitter, or hold the transmitter "
            "at known values. Press the current that is on the loop once it stands still.",
        )
    if has_five_points(point):
        return Method(Way.FIVE, "Bring it to known values along its span, and take each.")
    return Method(Way.ONE, "Bring it to a known value, type that, and take what is shown.")


def _totalizer(point: Point) -> Method:
    how = (
        "Take where it stands, apply pulses by hand or by a counter that counts along, and take it "
        "again: it has to have risen by as many."
    )
    return Method(Way.COUNT, how, "pulses", 0.0, PULSES)


def _rate(point: Point) -> Method:
    how = "Apply a known rate (a pulse source, or the local display) until it stands still."
    return Method(Way.ONE, how, "applied", RATE_TOLERANCE_PCT)


def _supply(point: Point) -> Method:
    how = "Measure at the battery's terminals with a hand meter, and type what it reads."
    return Method(Way.ONE, how, "hand meter", SUPPLY_TOLERANCE_PCT)


def _signal(point: Point) -> Method:
    how = (
        "Compare with the link test and with what the radio itself shows; 3 dB apart is ordinary. "
        "A value that is plausible and moves proves the register."
    )
    return Method(Way.LOOK, how)


def _temperature(point: Point) -> Method:
    how = "Lay a thermometer beside it, out of the sun, and type what it reads."
    return Method(Way.ONE, how, "thermometer", TEMPERATURE_TOLERANCE_PCT)


def _counter(point: Point) -> Method:
    how = (
        "Take where it stands, restart the station once (outputs may drop: see the cautions), and "
        "take it again: it has to have risen by one."
    )
    return Method(Way.COUNT, how, "restarts", 0.0, 1, operates=True)


def _duration(point: Point) -> Method:
    return Method(Way.LOOK, "Compare with what is set or counted at the station itself.")


def _revision(point: Point) -> Method:
    return Method(Way.LOOK, "Compare with the label or the display of the station.")


_METHODS: Final = {
    PointKind.DISCRETE_INPUT: _discrete_input,
    PointKind.DISCRETE_OUTPUT: _discrete_output,
    PointKind.PULSE_OUTPUT: _pulse_output,
    PointKind.ANALOG_INPUT: _analog_input,
    PointKind.ANALOG_OUTPUT: _analog_output,
    PointKind.TOTALIZER: _totalizer,
    PointKind.RATE: _rate,
    PointKind.SUPPLY_VOLTAGE: _supply,
    PointKind.SIGNAL: _signal,
    PointKind.TEMPERATURE: _temperature,
    PointKind.COUNTER: _counter,
    PointKind.DURATION: _duration,
    PointKind.REVISION: _revision,
}


def state_words(point: Point) -> tuple[str, str]:
    """Return the words of a point's two states, off first."""
    return point.words or ("off", "on")


def cautions_for(site: Site) -> tuple[str, ...]:
    """Return what to mind at this site while its points are proven."""
    kinds = {point.kind for point in site.points}
    found = OUTPUT_CAUTIONS if kinds.intersection(OPERATED) else ()
    loops = any(point.loop is not None for point in site.points)
    return (*found, *(APPLIED_CAUTIONS if loops else APPLIED_CAUTIONS[1:]))


def _effect(point: Point) -> str:
    if point.feedback is None:
        return ""
    within = f"{point.feedback.within_s:g} s"
    return f"; its effect shows at {point.feedback.tag} within {within}"


def _fail_safe(point: Point) -> str:
    if point.fail_safe is None:
        return ""
    after, state = f"{point.fail_safe.after_s:g} s", point.fail_safe.state
    does = "holds as it is" if state == "hold" else f"goes {state}"
    return (
        f" If you want to see its fail-safe: end polling, and after {after} the station {does} by "
        "itself; write into the note what you saw."
    )
