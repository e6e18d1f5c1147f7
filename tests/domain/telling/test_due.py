"""Who is told what when: levels, repeats, bundles, digests, floods, and after a restart."""

from dataclasses import replace
from datetime import UTC
from zoneinfo import ZoneInfo

import pytest

from tallymast.domain.alarms.model import Alarm, Alarms, AlarmState, Kind, Standing
from tallymast.domain.model import Priority
from tallymast.domain.telling.areas import Areas, hides
from tallymast.domain.telling.due import Cuts, digest_cuts, due
from tallymast.domain.telling.history import History
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    Digest,
    Due,
    Message,
    MessageKind,
    Occurrence,
    Way,
)

URGENT, HIGH, NORMAL = Priority.URGENT, Priority.HIGH, Priority.NORMAL
MINUTE = 60_000
T0 = 1_772_964_000_000  # 2026-03-08 10:00 UTC
CUT = T0 - 3 * 60 * MINUTE  # 07:00 of that day
FIRST, NEXT, LAST = (
    Contact(number, name, Way.MAIL, f"{name}@example.org", level=number, digest=Digest.NONE)
    for number, name in ((1, "dana"), (2, "rui"), (3, "supervisor"))
)
ALARM, ESCALATION, REPEAT, DIGEST, TEST = MessageKind


def alarm(key: str, priority: Priority = URGENT, **also: object) -> Alarm:
    kind = {"gateway": Kind.GATEWAY, "test": Kind.TEST}.get(key.split("/")[1], Kind.HIGH)
    site = key.split("/", maxsplit=1)[0]
    return Alarm(key, kind, priority, site, **also)  # type: ignore[arg-type]


def raised(at_ms: int = T0, **also: object) -> Standing:
    return Standing(AlarmState.UNACKNOWLEDGED, raised_ms=at_ms, **also)  # type: ignore[arg-type]


class Night:
    """Alarms, contacts and a clock; what is due is written as soon as it is."""

    def __init__(self, *contacts: Contact, areas: Areas | None = None) -> None:
        self.contacts = contacts or (FIRST, NEXT, LAST)
        self.areas = areas or Areas()
        self.alarms: dict[str, Alarm] = {}
        self.standings: dict[str, Standing] = {}
        self.messages: list[Message] = []
        self.history = History()
        self.state = Delivery.HANDED

    def put(self, key: str, standing: Standing, priority: Priority = URGENT) -> None:
        self.alarms[key] = alarm(key, priority)
        self.standings[key] = standing

    @property
    def now(self) -> Alarms:
        return Alarms(self.alarms, self.standings)

    def look(self, at_ms: int, cut_ms: int = CUT, hour_ms: int = 0) -> list[Due]:
        self.history = self.history.with_acks(self.now, at_ms)
        cuts = Cuts(cut_ms, hour_ms)
        found = due(self.now, self.contacts, self.history, self.areas, at_ms, cuts)
        made = [
            Message(
                one.contact.id,
                one.kind,
                one.priority,
                "",
                "",
                one.alarms,
                at_ms,
                id=len(self.messages) + number,
                state=self.state,
            )
            for number, one in enumerate(found)
        ]
        self.messages += made
        self.history = self.history.with_messages(made)
        return list(found)

    def night(self, minutes: int, from_ms: int = T0) -> list[tuple[int, int, MessageKind]]:
        """Look every second; return minute, contact and kind of each message."""
        told = []
        for second in range(minutes * 60 + 1):
            at_ms = from_ms + second * 1000
            for one in self.look(at_ms):
                told.append(((at_ms - T0) // MINUTE, one.contact.id, one.kind))
        return told


def test_an_urgent_alarm_goes_up_the_levels_and_is_repeated_while_nobody_acknowledges() -> None:
    # Common practice, no published source: the next person after 10 min, the supervisor 20 min
    # later, again every 30 min.
    night = Night()
    night.put("quill/LVL/high", raised())
    assert night.night(61) == [
        (0, 1, ALARM),
        (10, 2, ESCALATION),
        (30, 1, REPEAT),
        (30, 3, ESCALATION),
        (40, 2, REPEAT),
        (60, 1, REPEAT),
        (60, 3, REPEAT),
    ]


def test_a_high_alarm_waits_longer_and_a_normal_one_never_goes_up() -> None:
    night = Night(*(replace(one, priorities=tuple(Priority)) for one in (FIRST, NEXT, LAST)))
    night.put("quill/LVL/high", raised(), HIGH)
    assert night.night(41) == [
        (0, 1, ALARM),
        (20, 2, ESCALATION),
        (30, 1, REPEAT),
        (40, 3, ESCALATION),
    ]
    calm = Night(*(replace(one, priorities=(NORMAL,)) for one in (FIRST, NEXT)))
    calm.put("quill/LVL/high", raised(), NORMAL)
    assert calm.night(20) == [(0, 1, ALARM), (0, 2, ALARM)]


def test_a_level_that_nobody_has_is_passed_over() -> None:
    night = Night(NEXT, LAST)
    night.put("quill/LVL/high", raised())
    assert night.night(11) == [(0, 2, ALARM), (10, 3, ESCALATION)]


@pytest.mark.parametrize(
    "calm",
    [
        Standing(AlarmState.ACKNOWLEDGED, raised_ms=T0, acked_ms=T0 + MINUTE),
        Standing(AlarmState.RETURNED, raised_ms=T0, cleared_ms=T0 + MINUTE),
        Standing(AlarmState.NORMAL, raised_ms=T0),
        raised(shelved_until_ms=T0 + 100 * MINUTE),
        raised(suppressed_by="suppressed: Mast cannot be reached"),
        raised(out_of_service="by dana: repair"),
    ],
)
def test_nothing_more_is_told_of_what_is_acknowledged_over_or_hidden(calm: Standing) -> None:
    night = Night()
    night.put("quill/LVL/high", raised())
    assert len(night.look(T0)) == 1
    night.standings["quill/LVL/high"] = calm
    assert night.night(90, T0 + 2000) == []


@pytest.mark.parametrize("hidden", ["shelved_until_ms", "suppressed_by", "out_of_service"])
def test_what_is_hidden_is_not_told_in_a_digest_either(hidden: str) -> None:
    night = Night(replace(FIRST, priorities=(), digest=Digest.DAILY))
    why: object = T0 + MINUTE if hidden == "shelved_until_ms" else "a reason"
    night.put("quill/LVL/high", raised(CUT - MINUTE, **{hidden: why}), HIGH)
    assert night.look(T0) == []
    night.put("quill/LVL/high", raised(CUT - MINUTE), HIGH)
    assert [one.kind for one in night.look(T0)] == [DIGEST]


def test_an_alarm_that_chatters_is_one_call_until_somebody_acknowledges() -> None:
    night = Night()
    told = []
    for minute in range(0, 12, 2):  # comes and goes every two minutes, nobody acknowledges
        night.put("quill/LVL/high", raised(T0 + minute * MINUTE))
        told += night.night(0, T0 + minute * MINUTE)
        over = Standing(AlarmState.RETURNED, raised_ms=T0 + minute * MINUTE)
        night.put("quill/LVL/high", over)
        told += night.night(1, T0 + minute * MINUTE + 1000)
    assert told == [(0, 1, ALARM), (10, 2, ESCALATION)]
    acked = Standing(AlarmState.NORMAL, raised_ms=T0 + 10 * MINUTE, acked_ms=T0 + 13 * MINUTE)
    night.put("quill/LVL/high", acked)
    assert night.look(T0 + 13 * MINUTE) == []
    night.put("quill/LVL/high", raised(T0 + 14 * MINUTE))  # its standing forgets who acknowledged
    assert night.night(0, T0 + 14 * MINUTE) == [(14, 1, ALARM)]


def test_an_alarm_that_comes_off_the_shelf_begins_again_with_the_first_level() -> None:
    night = Night()
    night.put("quill/LVL/high", raised())
    assert night.night(1) == [(0, 1, ALARM)]
    night.put("quill/LVL/high", raised(shelved_until_ms=T0 + 60 * MINUTE))
    assert night.night(58, T0 + 2 * MINUTE) == []
    night.put("quill/LVL/high", raised())
    again = night.night(11, T0 + 60 * MINUTE + 1000)
    assert again == [(60, 1, ALARM), (70, 2, ESCALATION)]


def test_what_came_and_went_while_others_were_bundled_is_still_told_once() -> None:
    night = Night()
    night.put("quill/LVL/high", raised())
    night.look(T0)
    night.put("brome/LVL/high", raised(T0 + 5000))
    assert night.look(T0 + 5000) == []
    night.put("brome/LVL/high", Standing(AlarmState.RETURNED, raised_ms=T0 + 5000))
    (one,) = night.look(T0 + MINUTE)
    assert [time.key for time in one.alarms] == ["brome/LVL/high"]
    assert night.night(10, T0 + MINUTE + 1000) == [(10, 2, ESCALATION)]


def test_further_alarms_come_as_one_message_but_a_more_urgent_one_does_not_wait() -> None:
    night = Night(FIRST)
    night.put("quill/A/high", raised(), HIGH)
    night.look(T0)
    night.put("quill/B/high", raised(T0 + 1000), HIGH)
    night.put("quill/C/high", raised(T0 + 2000), HIGH)
    assert night.look(T0 + 2000) == []
    night.put("quill/D/high", raised(T0 + 3000), URGENT)
    (at_once,) = night.look(T0 + 3000)
    assert (at_once.priority, len(at_once.alarms)) == (URGENT, 3)
    assert at_once.alarms[0] == Occurrence("quill/D/high", T0 + 3000)
    night.put("quill/E/high", raised(T0 + 4000), URGENT)
    assert night.look(T0 + 4000) == []
    assert len(night.look(T0 + 63_000)) == 1


# --- areas, and who chose nothing ---------------------------------------------------------------


def test_a_contact_is_told_of_its_areas_and_of_what_has_none() -> None:
    town, north = replace(FIRST, areas=("Town",)), replace(NEXT, level=1, areas=("North",))
    areas = Areas(
        {"quill": frozenset({"Town"}), "saddle": frozenset({"North", "Town"})},
        {"mast": frozenset({"North"})},
    )
    night = Night(town, north, areas=areas)
    night.put("quill/LVL/high", raised())
    night.put("saddle//comm-fail", raised())
    night.put("brome/LVL/high", raised())
    night.alarms["/gateway/mast"] = replace(alarm("/gateway/mast"), gateway="mast")
    night.standings["/gateway/mast"] = raised()
    told = {one.contact.id: {time.key for time in one.alarms} for one in night.look(T0)}
    both = {"saddle//comm-fail", "brome/LVL/high"}
    assert told == {1: {"quill/LVL/high", *both}, 2: {"/gateway/mast", *both}}


def test_an_urgent_alarm_that_nobody_chose_is_told_at_once_to_whom_it_concerns() -> None:
    calm = replace(FIRST, priorities=(), digest=True, areas=("Town",))
    other = replace(NEXT, priorities=(HIGH,), areas=("North",))
    areas = Areas({"quill": frozenset({"Town"}), "brome": frozenset({"East"})})
    night = Night(calm, other, areas=areas)
    night.put("quill/LVL/high", raised())
    assert [(one.contact.id, one.kind) for one in night.look(T0)] == [(1, ALARM)]
    night.put("brome/LVL/high", raised(T0 + 2 * MINUTE))
    assert [one.contact.id for one in night.look(T0 + 2 * MINUTE)] == [1]
    assert [one.contact.id for one in night.look(T0 + 12 * MINUTE)] == [2]


# --- floods -------------------------------------------------------------------------------------


def test_a_flood_behind_a_lost_gateway_is_one_message_of_the_cause_and_one_digest() -> None:
    contact = replace(FIRST, digest=Digest.DAILY)
    night = Night(contact)
    told: list[Due] = []
    for second in range(70):
        at_ms = T0 + second * 1000
        if second < 10:  # 50 a second; the gateway is lost, which suppresses them by design
            for number in range(second * 50, second * 50 + 50):
                lost = raised(at_ms, suppressed_by="suppressed: Mast cannot be reached")
                night.put(f"site-{number % 24}/P{number}/high", lost, list(Priority)[number % 3])
        if second == 60:
            night.put("/gateway/mast", raised(at_ms), HIGH)
        told += night.look(at_ms)
    (cause,) = told
    assert [time.key for time in cause.alarms] == ["/gateway/mast"]
    gone = hides(night.alarms["/gateway/mast"], "Mast", night.now)
    assert gone.startswith("24 sites are not seen because of it; 500 alarms there")
    # It returns: what still stands is told in one message, and the normal ones in one digest.
    back = T0 + 20 * MINUTE
    for key, one in night.standings.items():
        night.standings[key] = replace(one, suppressed_by="")
    night.standings["/gateway/mast"] = Standing(AlarmState.RETURNED, raised_ms=T0 + 60_000)
    after = [one for second in range(60) for one in night.look(back + second * 1000)]
    assert [(one.kind, len(one.alarms)) for one in after] == [(ALARM, 334)]  # 500 less 166 normal
    morning = [
        night.look(back + (24 + hour) * 60 * MINUTE, CUT + 24 * 60 * MINUTE) for hour in (0, 1)
    ]
    digests = [one for looks in morning for one in looks if one.kind is DIGEST]
    assert [len(one.alarms) for one in digests] == [166]


def test_a_flood_without_a_common_cause_is_two_messages() -> None:
    night = Night(FIRST)
    told: list[Due] = []
    for second in range(120):
        if second < 10:
            for number in range(second * 50, second * 50 + 50):
                night.put(f"site-{number % 24}/P{number}/high", raised(T0 + second * 1000), HIGH)
        told += night.look(T0 + second * 1000)
    assert [len(one.alarms) for one in told] == [50, 450]


# --- digests and tests --------------------------------------------------------------------------


def test_the_rest_comes_once_a_day_also_when_the_hour_was_missed() -> None:
    contact = replace(FIRST, digest=Digest.DAILY)
    night = Night(contact)
    night.put("quill/A/high", raised(CUT - MINUTE), NORMAL)
    over = Standing(AlarmState.NORMAL, raised_ms=CUT - 60 * MINUTE, cleared_ms=CUT - MINUTE)
    night.put("quill/B/high", over, NORMAL)
    night.put("quill/C/high", raised(CUT + MINUTE), NORMAL)  # of the next day's digest
    (digest,) = night.look(T0)
    assert digest.kind is DIGEST
    assert [time.key for time in digest.alarms] == ["quill/B/high", "quill/A/high"]
    assert night.look(T0 + MINUTE) == []
    (later,) = night.look(T0 + 24 * 60 * MINUTE, CUT + 24 * 60 * MINUTE)
    assert [time.key for time in later.alarms] == ["quill/C/high"]


def test_a_test_is_told_to_everybody_who_gets_alarms_and_once() -> None:
    quiet = replace(LAST, id=4, priorities=(), digest=Digest.DAILY)
    night = Night(FIRST, replace(NEXT, areas=("North",)), LAST, quiet)
    night.put("/test/now", raised(), NORMAL)
    told = night.look(T0)
    assert [(one.contact.id, one.kind) for one in told] == [(1, TEST), (2, TEST), (3, TEST)]
    assert night.night(40, T0 + 1000) == []


@pytest.mark.parametrize(
    ("now", "zone", "cut"),
    [
        # By the tz database: Denver is UTC-7 until 2026-03-08 09:00 UTC, UTC-6 after it.
        (T0, UTC, T0 - 3 * 3_600_000),
        (T0, ZoneInfo("America/Denver"), T0 + 3 * 3_600_000 - 23 * 3_600_000),
        (T0 + 3 * 3_600_000, ZoneInfo("America/Denver"), T0 + 3 * 3_600_000),
    ],
)
def test_the_digests_hour_is_of_the_local_day(now: int, zone: ZoneInfo, cut: int) -> None:
    assert digest_cuts(now, 7, zone).day_ms == cut


@pytest.mark.parametrize(
    ("zone", "minutes"),
    # By the tz database: Kathmandu is 5 h 45 min ahead of UTC, Denver whole hours behind it.
    [(UTC, 20), (ZoneInfo("America/Denver"), 20), (ZoneInfo("Asia/Kathmandu"), 5)],
)
def test_an_hourly_digest_is_due_from_the_full_hour_of_the_local_clock(
    zone: ZoneInfo, minutes: int
) -> None:
    now = T0 + 20 * MINUTE + 7_123
    assert digest_cuts(now, 7, zone).hour_ms == now - minutes * MINUTE - 7_123


def test_the_rest_comes_each_hour_to_whom_it_shall_and_urgent_alarms_do_not_wait_for_it() -> None:
    hourly = replace(FIRST, priorities=(URGENT,), digest=Digest.HOURLY)
    daily = replace(NEXT, priorities=(), digest=Digest.DAILY)
    night = Night(hourly, daily)
    night.put("quill/A/high", raised(T0 + 10 * MINUTE), NORMAL)
    assert night.look(T0 + 20 * MINUTE, hour_ms=T0) == []  # of this hour: the next one tells it
    night.put("quill/LVL/high", raised(T0 + 30 * MINUTE))
    (at_once,) = night.look(T0 + 30 * MINUTE, hour_ms=T0)
    assert (at_once.contact, at_once.kind) == (hourly, ALARM)
    seen = {"raised_ms": T0 + 30 * MINUTE, "acked_ms": T0 + 40 * MINUTE}
    night.put("quill/LVL/high", Standing(AlarmState.ACKNOWLEDGED, **seen))
    (digest,) = night.look(T0 + 60 * MINUTE, hour_ms=T0 + 60 * MINUTE)
    assert (digest.contact, digest.kind) == (hourly, DIGEST)
    assert [time.key for time in digest.alarms] == ["quill/A/high"]
    # Nothing new: the hour after says nothing. At the day's hour the other contact is told of both.
    assert night.look(T0 + 120 * MINUTE, hour_ms=T0 + 120 * MINUTE) == []
    later = T0 + 24 * 60 * MINUTE
    (of_day,) = night.look(later, CUT + 24 * 60 * MINUTE, T0 + 120 * MINUTE)
    assert (of_day.contact, len(of_day.alarms)) == (daily, 2)


# --- what was told before -----------------------------------------------------------------------


def test_after_a_restart_nothing_is_told_twice_and_nothing_is_forgotten() -> None:
    night = Night()
    night.put("quill/LVL/high", raised())
    assert night.night(12) == [(0, 1, ALARM), (10, 2, ESCALATION)]
    night.history = History().with_messages(night.messages)
    assert night.night(30, T0 + 13 * MINUTE) == [
        (30, 1, REPEAT),
        (30, 3, ESCALATION),
        (40, 2, REPEAT),
    ]


def test_an_alarm_that_stood_through_a_long_stop_goes_on_up_the_levels() -> None:
    night = Night()
    night.put("quill/LVL/high", raised())
    night.look(T0)
    night.history = History().with_messages(night.messages)
    told = {one.contact.id: one.kind for one in night.look(T0 + 5 * 60 * MINUTE)}
    assert told == {1: REPEAT, 2: ESCALATION, 3: ESCALATION}


def test_what_waits_for_a_dead_mail_server_is_not_repeated_on_top() -> None:
    night = Night(FIRST)
    night.state = Delivery.WAITING
    night.put("quill/LVL/high", raised())
    assert night.night(90) == [(0, 1, ALARM)]
    night.history = night.history.done(night.messages[0].id)
    assert night.night(0, T0 + 91 * MINUTE) == [(91, 1, REPEAT)]


def test_an_alarm_acknowledged_before_it_was_told_is_told_to_nobody() -> None:
    night = Night()
    night.put("quill/LVL/high", Standing(AlarmState.ACKNOWLEDGED, raised_ms=T0, acked_ms=T0))
    assert night.night(31) == []


def test_a_priority_written_while_it_stands_hurries_the_next_person_and_calls_nobody_anew() -> None:
    night = Night()
    night.put("hob-gate/LVL/high", raised(), HIGH)
    assert [one.contact for one in night.look(T0)] == [FIRST]
    night.put("hob-gate/LVL/high", raised(), URGENT)
    assert night.look(T0 + 5 * MINUTE) == []
    # The next person after 10 min of an urgent one, 20 min of a high one: since the first call.
    (told,) = night.look(T0 + 10 * MINUTE)
    assert (told.contact, told.kind, told.priority) == (NEXT, ESCALATION, URGENT)
