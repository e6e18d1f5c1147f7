"""Five hundred alarms and a lost gateway: one cause is shown, and nothing is forgotten."""

from dataclasses import replace

from tests.domain.alarms.around import DOOR, LEVEL, NOW, around, reading, site, standing

from tallymast.domain.alarms.conditions import Around, seen_of
from tallymast.domain.alarms.model import Alarm, AlarmState, Event, Standing
from tallymast.domain.alarms.setting_up import alarms_of
from tallymast.domain.alarms.stepping import look, suppress
from tallymast.domain.alarms.suppression import suppressed
from tallymast.domain.model import Gateway, GatewayStatus, Network, Quality, SiteStatus, Transport

MAST = Gateway("scarp", "Long Scarp mast", Transport.RTU_OVER_TCP, "127.0.0.1:4001")
HATCH = replace(DOOR, tag="HATCH", name="Hatch")
SITES = tuple(site(f"pond-{n}", points=(LEVEL, DOOR, HATCH)) for n in range(125))
ALARMS = alarms_of(Network("Basin", "UTC", 6, "UTC", (MAST,), (), SITES))


def after(
    standings: dict[str, Standing], here: Around, now_ms: int
) -> tuple[dict[str, Standing], list[Event]]:
    events: list[Event] = []
    for alarm in ALARMS:
        before = standings.get(alarm.key, Standing())
        held = suppress(alarm, before, suppressed(alarm, here), now_ms)
        step = look(alarm, held.standing, seen_of(alarm, here), now_ms)
        standings[alarm.key] = step.standing
        events += [entry.event for entry in (*held.entries, *step.entries)]
    return standings, events


def shown(standings: dict[str, Standing]) -> set[str]:
    return {key for key, one in standings.items() if one.is_shown}


def read(at_ms: int) -> Around:
    """Everything is far too high, every door is open, and the loop of each is sound."""
    level = reading("LVL", 5.9, raw=19_700, at_ms=at_ms)
    door, hatch = (reading(tag, True, at_ms=at_ms) for tag in ("DOOR", "HATCH"))
    sites = (standing(one, level, door, hatch) for one in SITES)
    return replace(around(*sites), now_ms=at_ms)


def lost(now_ms: int) -> Around:
    stale = reading("LVL", 5.9, raw=19_700, quality=Quality.STALE)
    sites = (standing(one, stale, status=SiteStatus.UNREACHABLE) for one in SITES)
    here = around(*sites, gateway=GatewayStatus.UNREACHABLE)
    return replace(here, now_ms=now_ms)


def test_of_five_hundred_alarms_behind_a_lost_gateway_one_cause_is_shown() -> None:
    calling = sum(_calls(alarm) for alarm in ALARMS)
    standings, _ = after({}, read(NOW), NOW)
    standings, _ = after(standings, read(NOW + 60_000), NOW + 60_000)
    assert len(shown(standings)) == calling == 500  # high, high-high, door and hatch at 125 sites
    now = NOW + 70_000
    for second in range(3):
        standings, _ = after(standings, lost(now + second * 1000), now + second * 1000)
    assert shown(standings) == {"/gateway/scarp"}
    silent = standings["pond-7/LVL/high"]
    assert silent.state is AlarmState.UNACKNOWLEDGED
    assert silent.suppressed_by == "suppressed: Long Scarp mast cannot be reached"


def test_what_was_abnormal_is_shown_again_when_the_gateway_is_back() -> None:
    standings, _ = after({}, read(NOW), NOW)
    standings, _ = after(standings, read(NOW + 60_000), NOW + 60_000)
    before = shown(standings)
    standings, gone = after(standings, lost(NOW + 300_000), NOW + 300_000)
    assert gone.count(Event.UNKNOWN) == 500  # told once each, and not at every look
    standings, still = after(standings, lost(NOW + 301_000), NOW + 301_000)
    assert still.count(Event.UNKNOWN) == 0
    standings, back = after(standings, read(NOW + 400_000), NOW + 400_000)
    assert Event.RAISED not in back
    assert shown(standings) - {"/gateway/scarp"} == before


def _calls(alarm: Alarm) -> bool:
    return alarm.key.endswith(("/high", "/high-high", "/state"))
