"""When a finding begins, is written anew, and ends, look by look."""

from collections.abc import Mapping, Sequence
from dataclasses import replace

from tests.domain.health.diagnosis.told import DAY, HOUR, MINUTE, T0, antenna

from tallymast.domain.health.diagnosis.lasting import Held, Key, Looked, Step, keys_of, step
from tallymast.domain.health.diagnosis.model import Diagnosis, Said

SEEN = Looked(frozenset({12, 13}), frozenset({1}), frozenset({12, 13}), frozenset({1}))
BLIND = replace(SEEN, sites=frozenset(), gateways=frozenset())
AT_12: Key = (12, 0, "antenna", "")


class Watch:
    """Looks again and again, as a keeper does, and counts what is written."""

    def __init__(self) -> None:
        self.held: Mapping[Key, Held] = {}
        self.written = 0

    def look(self, now_ms: int, named: Sequence[Diagnosis] = (), looked: Looked = SEEN) -> Step:
        found = step(self.held, named, looked, now_ms)
        new = {
            key: Held(n, one.told, now_ms, now_ms)
            for n, (key, one) in enumerate([*found.changes.items(), *found.begins.items()])
        }
        self.held = {**found.held, **new}
        self.written += found.writes
        return found


def test_it_begins_once_and_is_not_written_at_every_look() -> None:
    watch = Watch()
    for n in range(4 * 59):  # every 15 s for an hour less a minute
        watch.look(T0 + n * 15_000, [antenna()])
    assert watch.written == 1
    assert watch.look(T0 + HOUR, [antenna()]).changes.keys() == {AT_12}


def test_numbers_that_run_are_written_hourly() -> None:
    watch = Watch()
    for n in range(4 * 60 * 6):  # six hours
        volts = Said("supply {}", f"{12 - n / 1000:.3f} V")
        watch.look(T0 + n * 15_000, [antenna(says=volts, score=5 + n % 2 / 10)])
    assert watch.written == 6


def test_what_is_told_otherwise_is_written_soon_but_not_to_and_fro() -> None:
    watch = Watch()
    watch.look(T0, [antenna()])
    sure = antenna(score=8.0)  # "likely" becomes "all but certain"
    assert not watch.look(T0 + MINUTE, [sure]).writes
    assert watch.look(T0 + 10 * MINUTE, [sure]).changes[AT_12].told is sure
    for n in range(4 * 40):
        watch.look(T0 + 10 * MINUTE + n * 15_000, [antenna(score=5.0 + 3 * (n % 2))])
    assert watch.written <= 2 + 4


def test_each_accused_site_has_its_own_and_a_gateway_one() -> None:
    assert keys_of(antenna(site_ids=(12, 13))) == [AT_12, (13, 0, "antenna", "")]
    assert keys_of(antenna(site_ids=())) == [(None, 1, "antenna", "")]


def test_a_site_that_is_accused_no_more_ends_alone() -> None:
    watch = Watch()
    watch.look(T0, [antenna(site_ids=(12, 13))])
    one = antenna(site_ids=(12,))
    ends = [watch.look(T0 + n * MINUTE, [one]).ends for n in range(1, 40)]
    assert sum(map(len, ends)) == 1
    assert set(watch.held) == {AT_12}


def test_it_ends_after_half_an_hour_at_the_time_it_was_named_last() -> None:
    watch = Watch()
    watch.look(T0, [antenna()])
    watch.look(T0 + 20 * MINUTE, [antenna()])
    for n in range(21, 51):
        assert not watch.look(T0 + n * MINUTE).ends, n
    (over,) = watch.look(T0 + 51 * MINUTE).ends
    assert over.last_ms == T0 + 20 * MINUTE
    assert watch.held == {}


def test_named_again_within_half_an_hour_it_goes_on() -> None:
    watch = Watch()
    watch.look(T0, [antenna()])
    for n in range(1, 200):
        assert not watch.look(T0 + n * MINUTE, [antenna()] if n % 25 == 0 else []).ends


def test_where_nobody_could_look_nothing_ends() -> None:
    watch = Watch()
    watch.look(T0, [antenna(), antenna(site_ids=(), cause="backhaul")])
    for n in range(1, 300):
        assert not watch.look(T0 + n * HOUR, looked=BLIND).ends
    # Half an hour of looking is needed, not half an hour of the clock.
    assert not watch.look(T0 + 13 * DAY).ends
    assert len(watch.look(T0 + 13 * DAY + 30 * MINUTE).ends) == 2


def test_a_place_that_left_the_network_ends_its_findings() -> None:
    watch = Watch()
    watch.look(T0, [antenna()])
    gone = replace(BLIND, known_sites=frozenset({13}))
    assert len(watch.look(T0 + MINUTE, looked=gone).ends) == 1


def test_of_two_alike_at_one_site_the_surer_is_kept() -> None:
    first = antenna(site_ids=(12, 13), score=7.0)
    found = Watch().look(T0, [first, antenna(site_ids=(13,), score=6.0)])
    assert [one.told for one in found.begins.values()] == [first, first]
    assert [one.rank for one in found.begins.values()] == [0, 0]


def test_a_clock_set_back_neither_ends_it_nor_stops_the_writing() -> None:
    watch = Watch()
    watch.look(T0, [antenna()])
    watch.look(T0 + MINUTE)
    assert not watch.look(T0 - DAY).ends
    assert not watch.look(T0 - DAY + 29 * MINUTE).ends
    assert watch.look(T0 - DAY + 30 * MINUTE).ends
    watch.look(T0, [antenna()])
    assert watch.look(T0 - DAY, [antenna()]).changes
    assert not watch.look(T0 - DAY + MINUTE, [antenna()]).writes


def test_one_that_cannot_be_read_is_written_anew_when_it_is_named() -> None:
    held = {AT_12: Held(1, None, T0, T0)}
    assert step(held, [antenna()], SEEN, T0 + 1).changes.keys() == {AT_12}
