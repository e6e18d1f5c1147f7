"""Volumes by hour, day and month in a database: exact, redone when polls come late, and frozen."""

from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import date
from fractions import Fraction
from random import Random
from typing import Any

import numpy as np
import pytest
from sqlalchemy import delete, select
from tests.dialects import both_dialects

from tallymast import networks
from tallymast.domain.errors import StorageError
from tallymast.domain.model import Outcome, Poll, PollFlag, PollPlan
from tallymast.domain.record.days import Contract, days_between
from tallymast.domain.totals.adjustments import Adjustment
from tallymast.domain.totals.balance import AreaTable
from tallymast.domain.totals.factors import k_factor
from tallymast.domain.totals.hand_index import IndexReading
from tallymast.domain.totals.model import CountStep, StepKind
from tallymast.domain.totals.month_figures import corrections
from tallymast.domain.totals.permits import Period, Permit
from tallymast.domain.totals.pumps import pumps_of
from tallymast.domain.totals.segments import Segment
from tallymast.routes.services import NetworkView
from tallymast.storage import (
    adjustments,
    balances,
    count_events,
    index_readings,
    k_factors,
    month_closes,
    permits,
    schema,
    volume_hours,
    volume_keeping,
    volumes,
)
from tallymast.storage.engine import Database
from tallymast.storage.history import store_history
from tallymast.storage.run_times import run_times
from tallymast.storage.volume_hours import Counted, work_out
from tallymast.storage.volume_keeping import counted_points
from tallymast.volume_keeper import VolumeKeeper

HOUR = 3_600_000
EVERY = 900_000
BEGIN = 1_761_955_200_000  # 2025-11-01 00:00 UTC; Denver's clocks go back on the 2nd
DENVER = Contract("America/Denver", 7)
NETWORK = """
title = "Meters"
time_zone = "America/Denver"
contract_hour = 7
[[gateway]]
key = "mast"
name = "Mast"
transport = "rtu-over-tcp"
address = "127.0.0.1:5020"
[[profile]]
key = "meter"
name = "Meter"
  [[profile.point]]
  tag = "TOT"
  kind = "totalizer"
  table = "input"
  register = 0
  layout = "uint16"
  max_rate = 2
  k_factor = 4
  volume_unit = "bbl"
  [[profile.point]]
  tag = "RST"
  kind = "counter"
  table = "input"
  register = 1
[[site]]
key = "kestrel"
name = "Kestrel"
gateway = "mast"
unit = 2
profile = "meter"
poll_every_s = 900
"""


@dataclass
class Meter:
    """A meter of one pulse every 10 s whose polls lie in a database."""

    database: Database
    plan: PollPlan
    keeper: VolumeKeeper
    zone: Contract = DENVER

    @property
    def point(self) -> Counted:
        (gateway,) = self.plan.gateways
        with self.database.reading() as conn:
            (point,) = counted_points(conn, gateway.gateway, gateway.sites[0])
        return point

    def store(self, rows: Iterable[tuple[int, int, int]]) -> None:
        """Store polls: instant, count, restart counter."""
        site = self.plan.gateways[0].sites[0]
        some = [poll(site.site_id, site.layout.id, row) for row in rows]
        store_history(self.database, site.site_id, site.layout, some)

    def booked(self, spans: list[tuple[int, int]]) -> list[volumes.Booked]:
        with self.database.reading() as conn:
            return volumes.booked(conn, self.point, spans, self.zone)


def poll(site_id: int, layout_id: int, row: tuple[int, int, int]) -> Poll:
    at_ms, count, restarts = row
    words = np.array([count % 65536, restarts], ">u2").tobytes()
    said = (Outcome.FIRST_TRY, PollFlag.NONE, 1, 140.0, layout_id, 1, 0, words)
    return Poll(site_id, at_ms, *said)


def ticking(from_ms: int, to_ms: int, restarts: int = 3) -> list[tuple[int, int, int]]:
    """One pulse every 10 s from a register at 60 000 on, polled every quarter of an hour."""
    return [
        (at, 60_000 + (at - BEGIN) // 10_000, restarts) for at in range(from_ms, to_ms + 1, EVERY)
    ]


def meter_of(database: Database, text: str, zone: Contract = DENVER) -> Meter:
    networks.bring_network(database, text, "volumes.toml")
    network, plan = networks.load_network(database)
    view = NetworkView(network, plan)
    keeper = VolumeKeeper(database, lambda: view, lambda: BEGIN + 40 * 24 * HOUR, 0.0)
    return Meter(database, plan, keeper, zone)


@pytest.fixture
def meter(database: Database) -> Meter:
    return meter_of(database, NETWORK)


@both_dialects
def test_hours_days_and_the_month_add_up_to_the_pulse(meter: Meter) -> None:
    end = BEGIN + 4 * 24 * HOUR + 7 * 60_000
    lost = range(BEGIN + 30 * HOUR + EVERY + 1, BEGIN + 35 * HOUR)
    rows = [row for row in ticking(BEGIN + EVERY, end) if row[0] not in lost]
    meter.store(rows)
    meter.keeper.look()
    days = [(day.start_ms, day.end_ms) for day in days_between(BEGIN, BEGIN + 70 * HOUR, DENVER)]
    hours = [(at, at + HOUR) for at in range(days[0][0], days[-1][1], HOUR)]
    by_day, by_hour = meter.booked(days), meter.booked(hours)
    # 86 400 s a day, a pulse every 10 s; the day that begins on 1 November has 25 hours.
    assert [one.counted.pulses for one in by_day] == [9000, *[8640] * (len(days) - 1)]
    assert {one.counted.pulses for one in by_hour} == {360}
    (whole,) = meter.booked([(days[0][0], days[-1][1])])
    assert whole.counted.pulses == sum(one.counted.pulses for one in by_hour)
    assert whole.volume is not None
    assert whole.volume.amount == Fraction(int(whole.counted.pulses), 4)  # 4 pulses a barrel
    assert (whole.counted.known_share, whole.counted.estimated) == (1.0, 0.0)
    gap = [one.counted for one in by_hour if one.counted.estimated]
    assert [one.through for one in gap] == [False, True, True, True, False]
    assert gap[0].tail == 270  # 15 min past the hour to its end, a pulse every 10 s


def test_a_poll_that_comes_late_takes_the_estimate_away(meter: Meter) -> None:
    rows = ticking(BEGIN, BEGIN + 12 * HOUR)
    late = [row for row in rows if BEGIN + 3 * HOUR < row[0] < BEGIN + 6 * HOUR]
    meter.store(row for row in rows if row not in late)
    meter.keeper.look()
    hours = [(BEGIN + n * HOUR, BEGIN + n * HOUR + HOUR) for n in range(2, 8)]
    assert [one.counted.estimated for one in meter.booked(hours)] == [0, 360, 360, 360, 0, 0]
    meter.store(late)
    meter.keeper.look()
    booked = [one.counted for one in meter.booked(hours)]
    assert [(one.pulses, one.estimated) for one in booked] == [(360, 0)] * 6
    assert marks_of(meter) == []


def marks_of(meter: Meter) -> list[str]:
    query = select(schema.dirty.c.kind).where(schema.dirty.c.kind.like("volume%"))
    with meter.database.reading() as conn:
        return sorted(conn.execute(query).scalars())


@both_dialects
def test_a_poll_stored_while_its_hours_are_computed_is_counted_by_the_next_look(
    meter: Meter, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = ticking(BEGIN, BEGIN + 12 * HOUR)
    late = [row for row in rows if BEGIN + 3 * HOUR < row[0] < BEGIN + 6 * HOUR]
    meter.store(row for row in rows if row not in late)
    meter.keeper.look()
    meter.store(late[:1])  # something to compute anew
    stored: list[int] = []

    def slow(*told: Any) -> Any:
        worked = work_out(*told)
        if not stored:  # its record is read; the rest comes before it is written
            stored.append(1)
            meter.store(late[1:])
        return worked

    monkeypatch.setattr(volume_keeping, "work_out", slow)
    meter.keeper.look()
    hours = [(BEGIN + n * HOUR, BEGIN + n * HOUR + HOUR) for n in range(2, 8)]
    booked = [one.counted for one in meter.booked(hours)]
    assert [(one.pulses, one.estimated) for one in booked] == [(360, 0)] * 6
    assert marks_of(meter) == []


@both_dialects
def test_computing_that_is_cut_short_leaves_everything_due(
    meter: Meter, monkeypatch: pytest.MonkeyPatch
) -> None:
    meter.store(ticking(BEGIN, BEGIN + 3 * HOUR))
    meter.keeper.look()
    meter.store([(BEGIN + 3 * HOUR + EVERY, 61_170, 3)])

    def cut(*_: Any) -> Any:
        raise StorageError("the disk is gone")

    with monkeypatch.context() as patch, pytest.raises(StorageError):
        patch.setattr(volume_keeping, "work_out", cut)
        meter.keeper.look()
    assert set(marks_of(meter)) == {"volume-taken"}
    assert meter.keeper.look() > 0
    assert marks_of(meter) == []


@both_dialects
def test_a_restart_is_told_and_its_day_says_what_is_unknown(meter: Meter) -> None:
    # 45 min between the readings, at most 2 Hz.
    cut = BEGIN + 26 * HOUR
    before = ticking(BEGIN, cut)
    after = [
        (at, 7 + (at - cut) // 10_000, 4) for at in range(cut + 3 * EVERY, cut + 60 * EVERY, EVERY)
    ]
    meter.store([*before, *after])
    meter.keeper.look()
    day = days_between(BEGIN, BEGIN + 30 * HOUR, DENVER)[0]
    (booked,) = meter.booked([(day.start_ms, day.end_ms)])
    assert booked.counted.unknown == 2 * 45 * 60
    assert booked.counted.known_ms == 25 * HOUR - 45 * 60_000
    with meter.database.reading() as conn:
        (rolled, fell) = volume_hours.events(conn, meter.point.point_id, BEGIN, BEGIN + 60 * HOUR)
    assert (rolled.step.kind, fell.step.kind) == (StepKind.ROLLOVER, StepKind.RESET)
    assert (fell.from_ms, fell.to_ms) == (cut, cut + 3 * EVERY)


SLOW = NETWORK.replace(
    """  kind = "counter"
  table = "input"
  register = 1
""",
    """  kind = "counter"
  table = "holding"
  register = 1
  poll = "slow"
""",
)


def slowly(meter: Meter, rows: Iterable[tuple[int, int, int | None]]) -> None:
    """Store polls: instant, count, and the restart counter where it was asked as well."""
    site = meter.plan.gateways[0].sites[0]
    some = []
    for at_ms, count, restarts in rows:
        one = poll(site.site_id, site.layout.id, (at_ms, count, 0))
        words = [count % 65536] + ([] if restarts is None else [restarts])
        got = 1 if restarts is None else 3
        some.append(replace(one, got=got, words=np.array(words, ">u2").tobytes()))
    store_history(meter.database, site.site_id, site.layout, some)


def kept(meter: Meter) -> tuple[list[Segment], list[CountStep]]:
    span = (meter.point.point_id, BEGIN, BEGIN + 60 * HOUR)
    with meter.database.reading() as conn:
        return volume_hours.segments(conn, *span), volume_hours.events(conn, *span)


def test_a_restart_counter_read_hours_later_tells_of_the_hours_before(database: Database) -> None:
    meter = meter_of(database, SLOW)
    # From 60 000 on a pulse every 10 s: over 65 536 after 15.4 h, while polls were missed.
    gap = range(BEGIN + 14 * HOUR + 1, BEGIN + 16 * HOUR)
    rows = [(at, count, None) for at, count, _ in ticking(BEGIN, BEGIN + 22 * HOUR)]
    rows = [row for row in rows if row[0] not in gap]
    slowly(meter, [(BEGIN - EVERY, 59_910, 4), *rows])
    meter.keeper.look()
    _, (either,) = kept(meter)
    assert (either.step.kind, either.step.unknown) == (StepKind.EITHER, 2 * 7200)
    # Seven hours later it still stands: the power held, and the count went over its end.
    slowly(meter, [(BEGIN + 23 * HOUR, 60_000 + 23 * 360, 4)])
    meter.keeper.look()
    segments, (rolled,) = kept(meter)
    assert (rolled.step.kind, rolled.step.pulses) == (StepKind.ROLLOVER, 720)
    assert {(one.pulses, one.unknown, one.unproven) for one in segments[1:]} == {(360, 0, 0)}
    assert marks_of(meter) == []


@pytest.mark.parametrize("seed", [3])
def test_whatever_comes_first_the_hours_end_alike(database: Database, seed: int) -> None:
    meter, lot = meter_of(database, SLOW), Random(seed)
    rows: list[tuple[int, int, int | None]] = []
    count, restarts = 64_000, 4
    for n, at in enumerate(range(BEGIN, BEGIN + 40 * HOUR, EVERY)):
        count += lot.choice((0, 90, 400, 1700))
        if lot.random() < 0.03:
            count, restarts = lot.choice((count, 0)), restarts + 1
        if lot.random() < 0.8:
            rows.append((at, count, restarts if n % 14 < 2 else None))
    pieces = [rows[n : n + 9] for n in range(0, len(rows), 9)]
    lot.shuffle(pieces)
    for piece in pieces:
        slowly(meter, piece)
        meter.keeper.look()
    with database.reading() as conn:
        span = (BEGIN, BEGIN + 41 * HOUR)
        at_once = work_out(conn, meter.point, span, DENVER)
    assert at_once is not None
    assert kept(meter) == (list(at_once.segments), list(at_once.events))
    assert {one.step.kind for one in at_once.events} >= {StepKind.NEARBY, StepKind.ROLLOVER}


def test_a_replacement_that_is_entered_later_bridges_the_count(meter: Meter) -> None:
    cut = BEGIN + 10 * HOUR
    after = [(at, (at - cut) // 10_000, 1) for at in range(cut + EVERY, cut + 40 * EVERY, EVERY)]
    meter.store([*ticking(BEGIN, cut), *after])
    meter.keeper.look()
    span = [(BEGIN + 9 * HOUR, BEGIN + 12 * HOUR)]
    assert meter.booked(span)[0].counted.unknown == 1800  # 2 Hz * 900 s
    point_id = meter.point.point_id
    with meter.database.writing() as conn:
        counts = (60_000.0 + 3600, 0.0, 0.0)
        said = (count_events.REPLACED, *counts, "typed", "r.hale")
        count_events.add(conn, count_events.CountEvent(0, point_id, cut + 60_000, *said))
    meter.keeper.look()
    (booked,) = meter.booked(span)
    assert (booked.counted.pulses, booked.counted.unknown) == (3 * 360, 0)


@both_dialects
def test_a_factor_that_changes_within_an_hour_cuts_it(meter: Meter) -> None:
    meter.store(ticking(BEGIN, BEGIN + 5 * HOUR))
    change = BEGIN + 2 * HOUR + 30 * 60_000
    with meter.database.writing() as conn:
        new = k_factor("4.5", "bbl", change)
        k_factors.enter(conn, k_factors.KeptFactor(meter.point.point_id, new, BEGIN, "r.hale"))
    meter.keeper.look()
    (booked,) = meter.booked([(BEGIN + HOUR, BEGIN + 4 * HOUR)])
    assert booked.volume is not None
    # 540 pulses at 4 a barrel, 540 at 4.5
    assert booked.volume.amount == Fraction(540, 4) + 540 / Fraction(9, 2)
    assert booked.factors == (Fraction(1, 4), Fraction(2, 9))


@both_dialects
def test_days_of_a_zone_off_the_full_hour_are_exact(database: Database) -> None:
    text = NETWORK.replace("America/Denver", "Asia/Kolkata").replace("_hour = 7", "_hour = 6")
    meter = meter_of(database, text, Contract("Asia/Kolkata", 6))
    # Three times as fast for the hour after each half past midnight UTC, when days begin there.
    rows, count = [], 0
    for at in range(BEGIN, BEGIN + 53 * HOUR, EVERY):
        rows.append((at, count, 3))
        count += 270 if at % (24 * HOUR) in range(HOUR // 2, 3 * HOUR // 2) else 90
    meter.store(rows)
    meter.keeper.look()
    days = days_between(BEGIN, BEGIN + 40 * HOUR, meter.zone)
    assert [day.start_ms for day in days] == [BEGIN + HOUR // 2, BEGIN + 49 * HOUR // 2]
    booked = meter.booked([(day.start_ms, day.end_ms) for day in days])
    assert [one.counted.pulses for one in booked] == [96 * 90 + 4 * 180] * 2
    assert [one.counted.known_share for one in booked] == [1.0, 1.0]


@both_dialects
def test_an_adjustment_is_kept_taken_back_and_never_changed(meter: Meter) -> None:
    meter.store(ticking(BEGIN, BEGIN + 5 * HOUR))
    meter.keeper.look()
    span = (BEGIN, BEGIN + 4 * HOUR)
    point_id = meter.point.point_id
    said = ("Meter bypassed for cleaning", BEGIN, "r.hale")
    with meter.database.writing() as conn:
        wish = Adjustment(0, point_id, *span, Fraction(84), "US gal", *said)
        made = adjustments.add(conn, wish)
    hours = [(BEGIN + n * HOUR, BEGIN + n * HOUR + HOUR) for n in range(4)]
    assert [one.adjusted for one in meter.booked(hours)] == [Fraction(1, 2)] * 4  # 42 gal a barrel
    (whole,) = meter.booked([span])
    assert whole.total == Fraction(4 * 360, 4) + 2
    with meter.database.writing() as conn:
        assert adjustments.take_back(conn, made.id, reason="Wrong day", at_ms=1, actor="m.okoro")
        assert not adjustments.take_back(conn, made.id, reason="Again", at_ms=2, actor="m.okoro")
    assert meter.booked([span])[0].adjusted == 0
    with pytest.raises(StorageError), meter.database.writing() as conn:
        conn.execute(delete(schema.adjustment))


@both_dialects
def test_a_closed_month_stays_and_later_changes_show_as_corrections(meter: Meter) -> None:
    rows = ticking(BEGIN, BEGIN + 31 * 24 * HOUR)
    meter.store(row for row in rows if row[0] < BEGIN + 20 * 24 * HOUR)
    meter.keeper.look()
    span = volumes.month_span(date(2025, 11, 15), DENVER)
    assert span == (
        BEGIN + 13 * HOUR,
        BEGIN + 30 * 24 * HOUR + 14 * HOUR,
    )  # 07:00 there, 30 d + 1 h
    closed = volumes.figures(meter.booked([span])[0])
    point_id = meter.point.point_id
    with meter.database.writing() as conn:
        month_closes.close(conn, point_id, "2025-11", closed, at_ms=1, actor="r.hale")
    meter.store(row for row in rows if row[0] >= BEGIN + 20 * 24 * HOUR)
    meter.keeper.look()
    now = volumes.figures(meter.booked([span])[0])
    assert now.pulses == (30 * 24 + 1) * 360
    with meter.database.writing() as conn:
        (kept,) = month_closes.versions(conn, point_id, "2025-11")
        assert kept.figures == closed
        told = corrections(kept.figures, now)
        again = month_closes.close(conn, point_id, "2025-11", now, at_ms=2, actor="r.hale")
        assert again.version == 2
        assert month_closes.newest(conn, "2025-11")[point_id].figures == now
    assert told[0].startswith("Correction, counted: ")
    assert "100.00 % of the month is known now" in told[1]
    assert corrections(now, now) == ()


@both_dialects
def test_another_greatest_rate_judges_the_whole_record_anew(meter: Meter) -> None:
    cut = BEGIN + 30 * HOUR
    after = [(at, (at - cut) // 10_000, 4) for at in range(cut + EVERY, cut + 40 * EVERY, EVERY)]
    meter.store([*ticking(BEGIN, cut), *after])
    meter.keeper.look()
    day = days_between(BEGIN, cut, DENVER)[0]
    assert meter.booked([(day.start_ms, day.end_ms)])[0].counted.unknown == 1800  # 2 Hz * 900 s
    with meter.database.writing() as conn:
        conn.execute(delete(schema.volume_event))
    (gateway,) = meter.plan.gateways
    site = gateway.sites[0]
    faster = tuple(
        replace(one, max_rate=5.0) if one.tag == "TOT" else one for one in site.site.points
    )
    site = replace(site, site=replace(site.site, points=faster))
    meter.plan = replace(meter.plan, gateways=(replace(gateway, sites=(site,)),))
    network, _ = networks.load_network(meter.database)
    view = NetworkView(network, meter.plan)
    VolumeKeeper(meter.database, lambda: view, lambda: BEGIN + 40 * 24 * HOUR, 0.0).look()
    assert meter.booked([(day.start_ms, day.end_ms)])[0].counted.unknown == 4500


PUMP = NETWORK.replace(
    "[[site]]",
    """  [[profile.point]]
  tag = "HRS"
  name = "Run hours"
  kind = "duration"
  table = "input"
  register = 2
  layout = "uint16"
  raw = [0, 10]
  value = [0, 1]
  unit = "h"
  [[profile.point]]
  tag = "LVL"
  kind = "analog-input"
  table = "input"
  register = 3
  raw = [0, 100]
  value = [0, 1]
  unit = "m"
  [[profile.point]]
  tag = "RUN"
  name = "Pump running"
  kind = "discrete-input"
  table = "input"
  register = 4
  bit = 0
[[site]]""",
)


@both_dialects
def test_a_pump_an_index_a_permit_and_a_balance_are_told_of_one_record(database: Database) -> None:
    # A pulse every 10 s, 4 a barrel: 90 bbl an hour. The pump runs every second quarter of an
    # hour, so half the time; the level climbs by 1 cm each hour.
    meter, end = meter_of(database, PUMP), BEGIN + 9 * 24 * HOUR
    site = meter.plan.gateways[0].sites[0]
    some = []
    for at in range(BEGIN, end + 1, EVERY):
        n = (at - BEGIN) // EVERY
        registers = [n * 90 % 65536, 3, 1000 + n * 10 // 8, 100 + n // 4, n % 2]
        one = poll(site.site_id, site.layout.id, (at, 0, 3))
        words = np.array(registers, ">u2").tobytes()
        some.append(replace(one, words=words, got=(1 << len(site.layout.blocks)) - 1))
    store_history(database, site.site_id, site.layout, some)
    gateway = meter.plan.gateways[0].gateway
    with database.writing() as conn:
        points = {one.point.tag: one for one in counted_points(conn, gateway, site)}
        total = points["TOT"]
        for at, said in ((BEGIN + 20 * 60_000, "100"), (BEGIN + 60 * HOUR, "5470")):
            reading = (at, Fraction(said), "bbl", False, at, "r.hale")
            index_readings.add(conn, IndexReading(0, total.point_id, *reading))
        allowed = (Period.MONTH, Fraction(60_000), "bbl", (total.point_id,), BEGIN, BEGIN, "r.hale")
        permit = permits.enter(conn, Permit(0, "Lease water", *allowed))
        pond = balances.Storage(site.site_id, "LVL", AreaTable((0.0, 9.0), (500.0, 500.0)))
        group = balances.Group(0, "Pond", (total.point_id,), (), (pond,))
        group = balances.enter(conn, group, at_ms=BEGIN, actor="r.hale")
    meter.keeper.look()
    with database.reading() as conn:
        day = days_between(BEGIN, end, DENVER)[2]
        span = (day.start_ms, day.end_ms)
        (pump,) = pumps_of(site.site)
        both = (pump, replace(pump, hours=None))
        ((ran,), (seen,)) = run_times(conn, gateway, site, both, [span], DENVER, end)
        (first, told) = index_readings.compared(conn, total, DENVER, end)
        outlook = permits.standing(conn, permit, {total.point_id: total}, DENVER, end)
        told_of = {total.point_id: total}
        found = balances.balance(conn, group, told_of, span, DENVER)
    assert (ran.by_station, ran.known_share) == (True, 1.0)
    assert ran.ran_ms == pytest.approx(12 * HOUR, abs=HOUR / 5)  # it counts tenths of an hour
    assert (seen.by_station, seen.ran_ms, seen.starts) == (False, 12 * HOUR, 48)
    assert first[1] is None
    assert told[1] is not None
    assert told[1].counted.amount == 90 * 60 - 30  # less the first 20 min
    assert (told[1].by_index, told[1].difference) == (5370, 0)
    assert outlook is not None
    taken = 90 * (9 * 24 - 13)  # the month began 07:00 in Denver, 13:00 UTC
    assert (outlook.taken, outlook.chance) == (taken, 1.0)
    assert found is not None
    # 24 h * 90 bbl * 0.158987 m³ (42 gallons) in; 24 cm on 500 m² stay.
    assert found.inflow.amount == pytest.approx(24 * 90 * 0.158987294928)
    assert found.growth.amount == pytest.approx(120.0)
    assert found.closes is False
