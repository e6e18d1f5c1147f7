"""What flows into an area and what flows out of it are two sums, as the balances say."""

from fractions import Fraction

from tallymast.domain.totals.factors import BEGINNING_MS, Factor
from tallymast.domain.totals.segments import Segment
from tallymast.routes.volumes.area_totals import Part, Way, totals, ways_of
from tallymast.storage.balances import Group
from tallymast.storage.volume_days import Told

HOUR = 3_600_000
HALF = Factor(BEGINNING_MS, Fraction(1, 2), "m³")


def part(number: int, pulses: float, known_ms: int = HOUR, unit: str = "m³") -> Part:
    """A point that counted in one hour."""
    piece = Segment(0, HOUR, pulses, known_ms=known_ms)
    factor = Factor(BEGINNING_MS, HALF.per_pulse, unit)
    return Part(number, Told((0, HOUR), (piece,), HOUR - known_ms, (factor,), ()), both_ways=False)


def plain(text: str) -> str:
    return text.replace("\u00a0", " ").replace("\u202f", " ")


CANAL = Group(1, "Canal", inflows=(1,), outflows=(2, 3))
LATERAL = Group(2, "Lateral", inflows=(3,), outflows=(4,))


def test_balances_say_which_way_and_a_flow_between_two_is_both() -> None:
    ways = ways_of([CANAL, LATERAL])
    assert ways == {1: Way.IN, 2: Way.OUT, 3: Way.BOTH, 4: Way.OUT}


def test_inflow_and_outflow_are_never_one_number() -> None:
    some = [part(1, 200), part(2, 60, HOUR // 2), part(4, 20), part(3, 50), part(5, 999)]
    found, note = totals(some, ways_of([CANAL, LATERAL]))
    # By hand, half a cubic metre a pulse: 200 in; 60 and 20 out, of which half an hour is dark.
    assert [(one.head, plain(one.words)) for one in found] == [
        ("Flows in, 1 point", "100.0 m³"),
        ("Flows out, 2 points", "at least 40.0 m³"),
    ]
    assert "1 point is in neither figure: out of one balance and into another" in note
    assert "1 point is in neither figure: no balance says which way." in note


def test_where_nothing_says_which_way_all_are_added_up_and_that_is_said() -> None:
    found, note = totals([part(1, 200), part(2, 60)], {})
    assert [plain(one.words) for one in found] == ["130.0 m³"]
    assert "no balance says which of them flow in or out" in note
    assert totals([part(1, 200)], {}) == ((), "")


def test_units_that_differ_are_added_up_on_neither_side() -> None:
    some = [part(2, 60), part(4, 20, unit="bbl")]
    ((out,), _) = totals(some, ways_of([CANAL, LATERAL]))
    assert (out.words, out.note) == ("", "units differ: bbl, m³; not added up")
