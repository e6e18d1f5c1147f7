"""Alarms as scripts read them, and the one act that scripts do: to acknowledge."""

from collections.abc import Mapping
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from pydantic import AwareDatetime, BaseModel, Field

from tallymast.domain.alarms.model import Alarm, AlarmState, Condition, Event, Kind, Standing
from tallymast.domain.model import Priority
from tallymast.routes import alarm_acts
from tallymast.routes.alarm_acts import NOTE_LONGEST
from tallymast.routes.alarm_words import called
from tallymast.routes.api.spans import TheSpan, milliseconds
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, NetworkView, Services
from tallymast.routes.who import ThePerson
from tallymast.storage import alarms

router = APIRouter(prefix="/api/v1/alarms", tags=["alarms"])

MOST = 1000
HIGHEST = 2**62


class AlarmItem(BaseModel):
    """An alarm as it is set up, and how it stands now."""

    id: int = Field(description="its number: in the address to acknowledge it, and on its page")
    key: str
    name: str = Field(description="as people call it")
    kind: Kind
    priority: Priority
    site: str | None = Field(description="the site's key")
    gateway: str | None = Field(description="the gateway's key")
    tag: str | None = Field(description="of the point it watches")
    state: AlarmState = Field(description="by ANSI/ISA-18.2: its states A to D")
    condition: Condition = Field(
        description="as judged last, before any delay; unknown: the reading is stale or not there"
    )
    value: str | None = Field(description="what was read last, with its unit")
    value_at: str | None
    raised_at: str | None = Field(description="the last time it was raised")
    cleared_at: str | None = Field(description="when it was normal again after that")
    acknowledged_at: str | None
    acknowledged_by: str | None
    shelved_until: str | None
    shelved_by: str | None
    shelved_why: str | None
    suppressed_by: str | None = Field(description="why it is suppressed by design, a sentence")
    out_of_service: str | None = Field(description="by whom and why it is out of service")
    is_shown: bool = Field(
        description="whether it stands in the list of what calls: not normal, and held back by "
        "nothing"
    )
    limit: float | None = Field(description="in the point's own unit")
    consequence: str | None = Field(description="what happens if nobody responds")
    response: str | None = Field(description="what the operator does")


class AlarmList(BaseModel):
    """Alarms, the highest number first; pass ``next`` as ``before`` to go on, null at the end."""

    items: list[AlarmItem]
    next: int | None


class EntryItem(BaseModel):
    """What happened to an alarm."""

    id: int
    at: str
    alarm: str = Field(description="the alarm's key")
    event: Event
    before: AlarmState
    after: AlarmState
    value: str | None
    actor: str | None = Field(description="null: nobody did it, it happened")
    note: str | None


class EntryList(BaseModel):
    """The journal, the newest first; pass ``next`` as ``before`` to go on, null at the end."""

    items: list[EntryItem]
    next: int | None


class NewNote(BaseModel):
    """What whoever acknowledges has seen or done."""

    note: str = Field("", max_length=NOTE_LONGEST)


_Limit = Annotated[int, Query(ge=1, le=MOST)]
_Before = Annotated[int | None, Query(ge=1, lt=HIGHEST, description="`next` of the page before")]


@router.get("")
def list_alarms(
    given: Given,
    state: Annotated[
        Literal["now", "all"],
        Query(description="now: those that are not normal; all: every alarm that is set up"),
    ] = "now",
    begin: Annotated[
        AwareDatetime | None,
        Query(alias="from", description="Only those to which anything happened at or after it."),
    ] = None,
    end: Annotated[
        AwareDatetime | None,
        Query(alias="to", description="Only those to which anything happened before it."),
    ] = None,
    limit: _Limit = 200,
    before: _Before = None,
) -> AlarmList:
    """List alarms, those held back (shelved, suppressed, out of service) too, marked as such."""
    from_ms = 0 if begin is None else milliseconds(begin)
    to_ms = HIGHEST if end is None else milliseconds(end)
    if from_ms >= to_ms:
        raise Problem(422, "`from` has to lie before `to`.")
    now, network = given.alarms(), given.network()
    with given.database.reading() as connection:
        numbers = alarms.ids(connection)
        if begin is not None or end is not None:
            moved = alarms.moved(connection, from_ms, to_ms)
            numbers = {key: one for key, one in numbers.items() if one in moved}
    items = [
        _item(number, now.alarms[key], now.standings.get(key, Standing()), network)
        for key, number in sorted(numbers.items(), key=lambda one: -one[1])
        if _is_wanted(key, number, state, before, now.alarms, now.standings)
    ]
    more = len(items) > limit
    return AlarmList(items=items[:limit], next=items[limit - 1].id if more else None)


@router.get("/journal")
def list_journal(
    given: Given,
    span: TheSpan,
    site: Annotated[str, Query(max_length=200, description="only of this site's alarms")] = "",
    limit: _Limit = 200,
    before: _Before = None,
) -> EntryList:
    """List what happened to alarms in a span, the newest first."""
    with given.database.reading() as connection:
        found = alarms.journal(
            connection, span.from_ms, span.to_ms, site=site, before_id=before, limit=limit + 1
        )
    items = [
        EntryItem(
            id=number,
            at=iso(one.at_ms) or "",
            alarm=one.alarm,
            event=one.event,
            before=one.before,
            after=one.after,
            value=one.value or None,
            actor=one.actor or None,
            note=one.note or None,
        )
        for number, one in found[:limit]
    ]
    return EntryList(items=items, next=items[-1].id if len(found) > limit else None)


@router.post("/{number}/acknowledge")
def acknowledge_alarm(number: int, wanted: NewNote, given: Given, person: ThePerson) -> AlarmItem:
    """Say that an alarm was seen; 409 where it does not wait for that."""
    key = _key(given, number)
    alarm_acts.acknowledge(given, person, [key], wanted.note)
    with given.database.reading() as connection:
        standing = alarms.of_keys(connection, [key])[key]
    return _item(number, given.alarms().alarms[key], standing, given.network())


def _key(given: Services, number: int) -> str:
    with given.database.reading() as connection:
        key = alarms.key_of(connection, number) if 0 < number < HIGHEST else None
    if key is None:
        raise Problem(404, f"There is no alarm {number}.")
    if key not in given.alarms().alarms:
        raise Problem(404, f"Alarm {number} is not set up any more; its journal is kept.")
    return key


def _is_wanted(
    key: str,
    number: int,
    state: str,
    before: int | None,
    known: Mapping[str, Alarm],
    standings: Mapping[str, Standing],
) -> bool:
    if key not in known or (before is not None and number >= before):
        return False
    return state == "all" or standings.get(key, Standing()).state is not AlarmState.NORMAL


def _item(number: int, alarm: Alarm, one: Standing, network: NetworkView) -> AlarmItem:
    return AlarmItem(
        id=number,
        key=alarm.key,
        name=called(alarm, network),
        kind=alarm.kind,
        priority=alarm.priority,
        site=alarm.site or None,
        gateway=alarm.gateway or None,
        tag=alarm.tag or None,
        state=one.state,
        condition=one.condition,
        value=one.value or None,
        value_at=iso(one.seen_ms),
        raised_at=iso(one.raised_ms),
        cleared_at=iso(one.cleared_ms),
        acknowledged_at=iso(one.acked_ms),
        acknowledged_by=one.acked_by or None,
        shelved_until=iso(one.shelved_until_ms),
        shelved_by=one.shelved_by or None,
        shelved_why=one.shelved_why or None,
        suppressed_by=one.suppressed_by or None,
        out_of_service=one.out_of_service or None,
        is_shown=one.is_shown,
        limit=alarm.limit,
        consequence=alarm.consequence or None,
        response=alarm.response or None,
    )
