"""What speaks for and against driving to a site now, from what is known of it.

The answer is about the need for a drive alone. Whether it is safe to work there is nothing a
screen can tell: no answer here says so, nor may any sentence made of it.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from tallymast.domain.health.comms.model import CommHealth, Outage
from tallymast.domain.health.findings import (
    Finding,
    GatewayLost,
    GatewayMute,
    NeverAnswered,
    NoValue,
    Overdue,
    PathSilent,
    Silent,
    SupplyBelowDisconnect,
    SupplyNearDisconnect,
)
from tallymast.domain.health.judged import (
    SOON_DAYS,
    AnswersSlower,
    ContactJudged,
    SupplyJudged,
    WorseTogether,
)
from tallymast.domain.health.site_health import SiteHealth
from tallymast.domain.health.supply.model import Forecast, SupplyHealth, Verdict
from tallymast.domain.health.together import SilentTogether
from tallymast.domain.model import Site, SiteStatus

# Ours: a silence shorter than the alarm delay of a monitoring site is looked at from the desk.
YOUNG_MS: Final = 15 * 60_000
# Ours: as many silences that ended by themselves make one more likely to end so too.
OFTEN: Final = 3
_DAY_MIN: Final = 24 * 60
# Ours: a silence longer than the longest winter night and a morning is no such night's any more.
_NIGHT_MS: Final = 18 * 3_600_000


class Call(StrEnum):
    """What to do about a drive."""

    DRIVE = "drive"
    PLAN = "plan"  # a person is needed, not today
    WAIT = "wait"
    DESK = "desk"  # what can be done from the desk comes first
    ELSEWHERE = "elsewhere"
    NOBODY = "nobody"
    OCCUPIED = "occupied"
    UNKNOWN = "unknown"


class Why(StrEnum):
    """What a call rests on."""

    RETURNS = "contact returns every day"
    LATE = "contact returns every day, and has not today"
    ENDS_ITSELF = "silences like this one ended by themselves"
    YOUNG = "silent for a short time only"
    SILENT = "silent, and nothing says that it ends by itself"
    NEVER = "never answered"
    GATEWAY = "the gateway is lost"
    PATH = "the repeater before it is silent"
    TOGETHER = "several sites fell silent together"
    SHARED = "contact became worse together with others in one direction"
    REPEATER = "it is the repeater, and others are silent behind it"
    MAINTENANCE = "somebody works there"
    NOT_POLLED = "nobody asks it"
    NOT_ASKED_YET = "not asked yet"
    NOT_ASKED = "it was not asked for long"
    DISCONNECT = "the load is or will be disconnected"
    DARK = "it loses its power at night"
    SUPPLY = "the supply is not as it should be"
    NO_VALUE = "a point has no valid value"
    FINDING = "something is abnormal"
    CONTACT = "contact has become worse"
    CLEAN = "nothing was found"
    UNJUDGED = "nothing was found, and not everything could be judged"


@dataclass(frozen=True, slots=True)
class Seen:
    """What advice rests on.

    Attributes:
        site: which.
        status: what it is doing.
        findings: what calls for a person there or at what carries it, most pressing first.
        health: as judged last; NOT_JUDGED where it was not.
        minute: the minute of the local day, 0..1439.
        now_ms: the same instant, UTC milliseconds.
        waits: whether it was never asked yet.
        unknown: how many of its values could not be judged.

    """

    site: Site
    status: SiteStatus
    findings: Sequence[Finding]
    health: SiteHealth
    minute: int
    now_ms: int
    waits: bool = False
    unknown: int = 0


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do about a drive, why, and the facts its sentence needs.

    Attributes:
        call: what to do.
        why: what it rests on.
        start: name of the gateway or repeater to start at; empty elsewhere.
        back_minute: the minute of the local day by which contact normally is back.
        after_sunrise_min: after so many minutes of sun contact normally is back.
        since_ms: since when it is so.
        nights: on how many nights in a row.
        ended: how many silences ended by themselves.
        longest_ms: the longest of them [ms].
        forecast: of the load's disconnect.
        verdict: of the supply.
        finding: what was found.

    """

    call: Call
    why: Why
    start: str = ""
    back_minute: int | None = None
    after_sunrise_min: int | None = None
    since_ms: int | None = None
    nights: int = 0
    ended: int = 0
    longest_ms: int = 0
    forecast: Forecast | None = None
    verdict: Verdict | None = None
    finding: Finding | None = None


_STANDING_BY: Final = {
    SiteStatus.NOT_POLLED: Advice(Call.UNKNOWN, Why.NOT_POLLED),
    SiteStatus.MAINTENANCE: Advice(Call.OCCUPIED, Why.MAINTENANCE),
    SiteStatus.UNREACHABLE: Advice(Call.ELSEWHERE, Why.GATEWAY),
}
_GONE: Final = frozenset({Verdict.NOT_CHARGING, Verdict.OVERCHARGING})
_SLOWLY: Final = frozenset({Verdict.DECLINING, Verdict.AGEING, Verdict.STUCK})
_JUDGED: Final = SupplyJudged | ContactJudged | AnswersSlower  # said by supply and contact
_NOT_KNOWN: Final = frozenset({Verdict.UNKNOWN, Verdict.FEW_NIGHTS})


def advice(seen: Seen) -> Advice:
    """Return what speaks for or against driving to a site now; the first that holds decides."""
    if seen.status in (SiteStatus.NOT_POLLED, SiteStatus.MAINTENANCE):
        return _STANDING_BY[seen.status]
    elsewhere = _elsewhere(seen)
    if elsewhere is not None:
        return elsewhere
    if seen.status in _STANDING_BY:
        return _STANDING_BY[seen.status]
    if seen.waits:
        return Advice(Call.UNKNOWN, Why.NOT_ASKED_YET)
    if seen.status in (SiteStatus.COMM_FAIL, SiteStatus.NEVER_ANSWERED):
        return _silent(seen)
    reasons = [one for one in (_supply(seen), _found(seen), _contact(seen.health.comm)) if one]
    urgent = [one for one in reasons if one.call is Call.DRIVE]
    return next(iter(urgent + reasons), None) or _clean(seen)


# --- what is not to be looked for at the site ----------------------------------------------


def _elsewhere(seen: Seen) -> Advice | None:
    for finding in seen.findings:
        if isinstance(finding, GatewayLost | GatewayMute):
            start, since_ms = finding.gateway.name, finding.since_ms
            return Advice(Call.ELSEWHERE, Why.GATEWAY, start, since_ms=since_ms, finding=finding)
        if isinstance(finding, SilentTogether):
            start, since_ms = finding.gateway.name, finding.since_ms
            return Advice(Call.ELSEWHERE, Why.TOGETHER, start, since_ms=since_ms, finding=finding)
        if isinstance(finding, PathSilent):
            if finding.site.key == seen.site.key:
                return Advice(Call.DRIVE, Why.REPEATER, since_ms=finding.since_ms, finding=finding)
            start, since_ms = finding.site.name, finding.since_ms
            return Advice(Call.ELSEWHERE, Why.PATH, start, since_ms=since_ms, finding=finding)
    return None


# --- no contact ------------------------------------------------------------------------------


def _silent(seen: Seen) -> Advice:
    finding = next((f for f in seen.findings if isinstance(f, Silent | NeverAnswered)), None)
    if seen.status is SiteStatus.NEVER_ANSWERED or isinstance(finding, NeverAnswered):
        since_ms = finding.since_ms if finding else None
        return Advice(Call.DRIVE, Why.NEVER, since_ms=since_ms, finding=finding)
    since_ms = finding.since_ms if finding else _dark_since(seen.findings)
    comm = seen.health.comm
    returns = comm.returns if comm else None
    if returns is not None:
        waits = _is_between(seen.minute, returns.off_minute, returns.back_minute)
        call, why = (Call.WAIT, Why.RETURNS) if waits else (Call.DRIVE, Why.LATE)
        return Advice(call, why, back_minute=returns.back_minute, since_ms=since_ms)
    return _dark(seen, since_ms) or _silence_by_age(seen, since_ms)


def _dark_since(found: Sequence[Finding]) -> int | None:
    """Return since when a site is silent whose silence its supply explains."""
    judged = (one.silent_since_ms for one in found if isinstance(one, SupplyJudged))
    return next((at_ms for at_ms in judged if at_ms is not None), None)


def _dark(seen: Seen, since_ms: int | None) -> Advice | None:
    """Return advice for a site that loses its power at night, while this may be such a night."""
    dark = seen.health.supply.dark if seen.health.supply else None
    if dark is None or since_ms is None or seen.now_ms - since_ms >= _NIGHT_MS:
        return None
    after = dark.back_after_sunrise_min
    return Advice(Call.WAIT, Why.DARK, since_ms=since_ms, after_sunrise_min=after)


def _silence_by_age(seen: Seen, since_ms: int | None) -> Advice:
    age_ms = None if since_ms is None else seen.now_ms - since_ms
    ended = _ended(seen.health.comm)
    longest_ms = max((one.lasted_ms(seen.now_ms) for one in ended), default=0)
    if age_ms is not None and len(ended) >= OFTEN and age_ms < longest_ms:
        return Advice(
            Call.WAIT,
            Why.ENDS_ITSELF,
            since_ms=since_ms,
            ended=len(ended),
            longest_ms=longest_ms,
        )
    if age_ms is not None and age_ms < YOUNG_MS:
        return Advice(Call.DESK, Why.YOUNG, since_ms=since_ms)
    return Advice(Call.DRIVE, Why.SILENT, since_ms=since_ms)


def _ended(comm: CommHealth | None) -> list[Outage]:
    return [one for one in comm.outages if one.to_ms is not None] if comm else []


def _is_between(minute: int, off: int, back: int) -> bool:
    """Whether a minute of the day lies from going silent until being back, over midnight too."""
    return (minute - off) % _DAY_MIN < (back - off) % _DAY_MIN


# --- contact -----------------------------------------------------------------------------------


def _supply(seen: Seen) -> Advice | None:
    below = next((f for f in seen.findings if isinstance(f, SupplyBelowDisconnect)), None)
    if below is not None:
        return Advice(Call.DRIVE, Why.DISCONNECT, finding=below)
    supply = seen.health.supply
    if supply is None:
        near = next((f for f in seen.findings if isinstance(f, SupplyNearDisconnect)), None)
        return Advice(Call.DRIVE, Why.DISCONNECT, finding=near) if near else None
    return _by_forecast(supply) or _by_verdict(supply)


def _by_forecast(supply: SupplyHealth) -> Advice | None:
    if supply.forecast is None or supply.verdict is Verdict.STEADY:
        return None
    is_soon = supply.forecast.low_days <= SOON_DAYS
    call = Call.DRIVE if is_soon or supply.verdict in _GONE else Call.PLAN
    return Advice(
        call,
        Why.DISCONNECT,
        since_ms=supply.since_ms,
        forecast=supply.forecast,
        verdict=supply.verdict,
    )


def _by_verdict(supply: SupplyHealth) -> Advice | None:
    if supply.verdict is Verdict.DARK_AT_NIGHT:
        back = supply.dark.back_after_sunrise_min if supply.dark else None
        return Advice(
            Call.DRIVE,
            Why.DARK,
            after_sunrise_min=back,
            since_ms=supply.since_ms,
            nights=supply.dark.nights if supply.dark else 0,
            verdict=supply.verdict,
        )
    if supply.verdict in _GONE:
        return Advice(Call.DRIVE, Why.SUPPLY, since_ms=supply.since_ms, verdict=supply.verdict)
    if supply.verdict in _SLOWLY:
        return Advice(Call.PLAN, Why.SUPPLY, since_ms=supply.since_ms, verdict=supply.verdict)
    return None


def _found(seen: Seen) -> Advice | None:
    for finding in seen.findings:
        if isinstance(finding, NoValue):
            return Advice(Call.DRIVE, Why.NO_VALUE, finding=finding)
        if isinstance(finding, Overdue):
            return Advice(Call.DESK, Why.NOT_ASKED, since_ms=finding.last_poll_ms, finding=finding)
        if isinstance(finding, WorseTogether):
            return Advice(Call.DESK, Why.SHARED, since_ms=finding.since_ms, finding=finding)
        if not isinstance(finding, _JUDGED):
            return Advice(Call.DESK, Why.FINDING, finding=finding)
    return None


def _contact(comm: CommHealth | None) -> Advice | None:
    if comm is None:
        return None
    if comm.change is not None and _is_worse(comm):
        return Advice(Call.DESK, Why.CONTACT, since_ms=comm.change.at_ms)
    if comm.signal is not None and comm.signal.after_dbm < comm.signal.before_dbm:
        return Advice(Call.DESK, Why.CONTACT, since_ms=comm.signal.from_ms)
    if comm.slow is not None:
        return Advice(Call.DESK, Why.CONTACT, since_ms=comm.slow.since_ms)
    return None


def _is_worse(comm: CommHealth) -> bool:
    change = comm.change
    before = change.before.share if change else None
    after = change.after.share if change else None
    return before is not None and after is not None and after < before


def _clean(seen: Seen) -> Advice:
    supply = seen.health.supply
    needs_supply = seen.site.supply is not None
    unjudged = needs_supply and (supply is None or supply.verdict in _NOT_KNOWN)
    if unjudged or seen.health.comm is None or seen.unknown:
        return Advice(Call.NOBODY, Why.UNJUDGED)
    return Advice(Call.NOBODY, Why.CLEAN)
