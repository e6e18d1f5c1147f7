"""What a look finds of an alarm's condition: what is not known is never normal."""

from dataclasses import replace

import pytest
from tests.domain.alarms.around import (
    DOOR,
    NOW,
    READ,
    around,
    reading,
    site,
    standing,
    state,
    supply,
)

from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.judged import spoken
from tallymast.domain.alarms.model import Alarm, Condition, Kind, Seen
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.model import GatewayState, GatewayStatus, Priority, Quality, SiteStatus

DAY = 86_400_000
ABNORMAL, NORMAL, UNKNOWN = Condition.ABNORMAL, Condition.NORMAL, Condition.UNKNOWN


def alarm(kind: Kind, tag: str = "LVL", **more: object) -> Alarm:
    made = Alarm("key", kind, Priority.HIGH, "upper-weir", tag, "scarp")
    return replace(made, **more)  # type: ignore[arg-type]


HIGH = alarm(Kind.HIGH, limit=5.6, deadband=0.12)
LOW = alarm(Kind.LOW, limit=1.5, deadband=0.12)
OPEN = alarm(Kind.STATE, "DOOR", call_when="open")
FAIL = alarm(Kind.COMM_FAIL, "")


# --- points ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("one", "value", "condition", "back"),
    [
        (HIGH, 5.6, ABNORMAL, False),
        (HIGH, 5.55, NORMAL, True),
        (HIGH, 5.4, NORMAL, False),
        (LOW, 1.5, ABNORMAL, False),
        (LOW, 1.6, NORMAL, True),
        (LOW, 1.7, NORMAL, False),
    ],
)
def test_a_limit_is_judged_with_its_deadband(
    one: Alarm, value: float, condition: Condition, back: bool
) -> None:
    seen = seen_of(one, around(standing(site(), reading("LVL", value))))
    assert (seen.condition, seen.back, seen.at_ms) == (condition, back, READ)
    assert seen.value == f"{value:g} m"


@pytest.mark.parametrize(
    "doubt",
    [
        {"quality": Quality.STALE},
        {"quality": Quality.NONE, "value": None},
        {"quality": Quality.NONE, "value": None, "at_ms": None},
    ],
)
def test_a_value_that_is_stale_or_none_is_unknown(doubt: dict[str, object]) -> None:
    read = replace(reading("LVL", 9.9), **doubt)  # type: ignore[arg-type]
    assert seen_of(HIGH, around(standing(site(), read))) == Seen(UNKNOWN)


def test_what_nobody_read_is_unknown() -> None:
    assert seen_of(HIGH, around(standing(site()))) == Seen(UNKNOWN)
    assert seen_of(HIGH, around()) == Seen(UNKNOWN)
    assert seen_of(replace(HIGH, tag="GONE"), around(standing(site()))) == Seen(UNKNOWN)


def test_a_contact_calls_by_its_word() -> None:
    found = seen_of(OPEN, around(standing(site(), reading("DOOR", True))))
    assert found == Seen(ABNORMAL, READ, "open")
    assert seen_of(OPEN, around(standing(site(), reading("DOOR", False)))).condition is NORMAL
    stale = reading("DOOR", False, quality=Quality.STALE)
    assert seen_of(OPEN, around(standing(site(), stale))).condition is UNKNOWN


@pytest.mark.parametrize(
    ("microamps", "condition"),
    [(3600, ABNORMAL), (3601, NORMAL), (20_999, NORMAL), (21_000, ABNORMAL)],
)
def test_a_loop_fails_at_the_limits_of_ne_43(microamps: int, condition: Condition) -> None:
    # NAMUR NE 43 (secondary restatement): failure up to 3.6 mA and from 21.0 mA on.
    read = reading("LVL", None, raw=microamps)
    found = seen_of(alarm(Kind.LOOP_FAULT), around(standing(site(), read)))
    assert (found.condition, found.value) == (condition, f"loop {microamps / 1000:.2f} mA")


def test_a_failed_loop_leaves_its_limits_unknown_and_is_no_second_trouble() -> None:
    here = around(standing(site(), reading("LVL", None, raw=3580, reason="loop 3.58 mA")))
    assert seen_of(HIGH, here).condition is UNKNOWN
    assert seen_of(alarm(Kind.LOOP_FAULT), here).condition is ABNORMAL
    assert seen_of(alarm(Kind.QUALITY), here).condition is NORMAL


def test_a_value_that_is_no_number_is_a_quality_alarm() -> None:
    read = reading("LVL", None, reason="the station reports no number")
    found = seen_of(alarm(Kind.QUALITY), around(standing(site(), read)))
    assert found == Seen(ABNORMAL, READ, "the station reports no number")


def test_a_point_whose_register_is_refused_is_a_quality_alarm() -> None:
    found = seen_of(alarm(Kind.QUALITY), around(standing(site(), refused=("LVL",))))
    assert (found.condition, found.value) == (ABNORMAL, "the station refuses its register")


def test_old_values_do_not_clear_a_quality_alarm() -> None:
    read = reading("LVL", 3.0, quality=Quality.STALE)
    assert seen_of(alarm(Kind.QUALITY), around(standing(site(), read))) == Seen(UNKNOWN)


def test_a_meter_that_shows_too_much_hides_no_low_supply() -> None:
    # 12.4 V shown by a meter that shows 0.2 V too much are 12.2 V, below an AGM's 12.3 V.
    low = alarm(Kind.SUPPLY, "VOLT", limit=12.3, deadband=0.2)
    read = reading("VOLT", 12.4)
    found = seen_of(low, around(standing(site(supply=supply(meter_offset_v=0.2)), read)))
    assert found == Seen(ABNORMAL, READ, "12.4 V, true 12.2 V")
    assert seen_of(low, around(standing(site(supply=supply()), read))).condition is NORMAL


# --- contact -----------------------------------------------------------------------------------


def test_a_silent_site_is_abnormal_since_its_first_missed_poll() -> None:
    known = state(SiteStatus.COMM_FAIL, missed_in_row=5, first_miss_ms=NOW - 70_000)
    long_ago = {"scarp": GatewayState(1, GatewayStatus.CONNECTED, NOW - 3_600_000)}
    here = replace(around(standing(site(), known=known)), gateways=long_ago)
    found = seen_of(FAIL, here)
    assert found == Seen(ABNORMAL, READ, "5 polls missed in a row", since_ms=NOW - 70_000)


def test_the_time_its_gateway_was_lost_does_not_count_as_a_sites_silence() -> None:
    known = state(SiteStatus.COMM_FAIL, missed_in_row=5, first_miss_ms=NOW - 7_200_000)
    found = seen_of(FAIL, around(standing(site(), known=known)))  # back for a minute
    assert found.since_ms == NOW - 60_000


def test_one_missed_poll_is_no_silence() -> None:
    known = state(missed_in_row=1, first_miss_ms=READ)
    assert seen_of(FAIL, around(standing(site(), known=known))).condition is NORMAL


def test_a_site_that_answered_once_is_still_silent() -> None:
    # Its state ends only after 3 good polls.
    known = state(SiteStatus.COMM_FAIL, good_in_row=1, probe_s=120.0)
    assert seen_of(FAIL, around(standing(site(), known=known))).condition is ABNORMAL


@pytest.mark.parametrize("status", [SiteStatus.UNREACHABLE, SiteStatus.NOT_POLLED])
def test_contact_is_unknown_while_nobody_can_ask(status: SiteStatus) -> None:
    assert seen_of(FAIL, around(standing(site(), status=status))) == Seen(UNKNOWN)


def test_a_site_that_was_never_asked_is_unknown() -> None:
    known = state(SiteStatus.NEVER_ANSWERED, last_poll_ms=None, last_answer_ms=None)
    assert seen_of(FAIL, around(standing(site(), known=known))) == Seen(UNKNOWN)


def test_a_site_that_never_answered_is_silent() -> None:
    known = state(SiteStatus.NEVER_ANSWERED, last_answer_ms=None, missed_in_row=9)
    assert seen_of(FAIL, around(standing(site(), known=known))).condition is ABNORMAL


@pytest.mark.parametrize(
    ("status", "condition"),
    [
        (GatewayStatus.STARTING, UNKNOWN),
        (GatewayStatus.CONNECTED, NORMAL),
        (GatewayStatus.UNREACHABLE, ABNORMAL),
        (GatewayStatus.MUTE, ABNORMAL),
    ],
)
def test_a_gateway_is_judged_by_its_own_state(status: GatewayStatus, condition: Condition) -> None:
    one = Alarm("/gateway/scarp", Kind.GATEWAY, Priority.URGENT, gateway="scarp")
    here = replace(around(), gateways={"scarp": GatewayState(1, status, NOW - 90_000)})
    found = seen_of(one, here)
    assert found.condition is condition
    assert found.since_ms == (NOW - 90_000 if condition is ABNORMAL else None)
    assert seen_of(replace(one, gateway="gone"), here) == Seen(UNKNOWN)


def test_storage_and_poller_are_what_they_were_told_to_be_and_unknown_else() -> None:
    full = Seen(ABNORMAL, NOW, "the disk is full")
    storage = Alarm("//storage", Kind.STORAGE, Priority.HIGH)
    poller = Alarm("//poller", Kind.POLLER, Priority.URGENT)
    here = Around(NOW, storage=full)
    assert seen_of(storage, here) == full
    assert seen_of(poller, here) == Seen(UNKNOWN)


# --- forecast ----------------------------------------------------------------------------------

SOON = alarm(Kind.FORECAST, "VOLT", limit=3.0, deadband=1.0)


def forecast(low: float, high: float | None, ago: float = 0.0) -> Around:
    made = Forecast(round(NOW - ago * DAY), low, low + 1, high, 11.5, 9)
    health = SupplyHealth(Verdict.NOT_CHARGING, predawn_v=12.1, forecast=made)
    return replace(around(standing(site())), supplies={"upper-weir": health})


def test_a_disconnect_within_days_calls_by_the_sooner_end_of_its_range() -> None:
    found = seen_of(SOON, forecast(2.6, 8.0))
    assert (found.condition, found.value) == (ABNORMAL, "load disconnect in 3 to 8 days")
    assert seen_of(SOON, forecast(3.5, 8.0)).back
    assert seen_of(SOON, forecast(5.0, 8.0)) == Seen(NORMAL, NOW, "load disconnect in 5 to 8 days")


def test_days_that_have_gone_since_the_forecast_count() -> None:
    found = seen_of(SOON, forecast(5.0, None, ago=2.5))
    assert (found.condition, found.value) == (ABNORMAL, "load disconnect in 2 days or later")


@pytest.mark.parametrize(
    ("verdict", "condition"),
    [
        (Verdict.STEADY, NORMAL),
        (Verdict.AGEING, NORMAL),
        (Verdict.DARK_AT_NIGHT, ABNORMAL),
        (Verdict.NOT_CHARGING, UNKNOWN),  # going down, and nobody can say when
        (Verdict.FEW_NIGHTS, UNKNOWN),
        (Verdict.STUCK, UNKNOWN),
        (Verdict.UNKNOWN, UNKNOWN),
    ],
)
def test_without_a_forecast_only_a_sound_supply_is_normal(
    verdict: Verdict, condition: Condition
) -> None:
    health = SupplyHealth(verdict, predawn_v=12.4)
    here = replace(around(standing(site())), supplies={"upper-weir": health})
    assert seen_of(SOON, here).condition is condition


def test_a_supply_nobody_has_judged_is_unknown() -> None:
    assert seen_of(SOON, around(standing(site()))) == Seen(UNKNOWN)


@pytest.mark.parametrize(
    ("value", "unit", "words"),
    [(2.84, "m", "2.84 m"), (7500.0, "kPa", "7500 kPa"), (0.0, "m", "0 m"), (3.10, "", "3.1")],
)
def test_values_are_spoken_with_their_unit(value: float, unit: str, words: str) -> None:
    assert spoken(value, unit) == words


def test_a_contact_without_words_is_on_or_off() -> None:
    bare = replace(DOOR, words=None, alarm_when="on")
    here = standing(site(points=(bare,)), reading("DOOR", True))
    assert seen_of(replace(OPEN, call_when="on"), around(here)) == Seen(ABNORMAL, READ, "on")
