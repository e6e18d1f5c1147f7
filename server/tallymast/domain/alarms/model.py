"""What an alarm is, the states it goes through, and what is known of it now.

Values only. The table of states is in table.py, when a condition is abnormal in conditions.py.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from tallymast.domain.model import Priority

TEST_KEY = "//test"


class AlarmState(StrEnum):
    """The states of ANSI/ISA-18.2-2016, by the standard's letters A to D."""

    NORMAL = "normal"  # A
    UNACKNOWLEDGED = "unacknowledged"  # B
    ACKNOWLEDGED = "acknowledged"  # C
    RETURNED = "returned-unacknowledged"  # D: normal again, nobody has acknowledged it yet

    @property
    def is_active(self) -> bool:
        """Whether its condition is abnormal as far as is known."""
        return self in (AlarmState.UNACKNOWLEDGED, AlarmState.ACKNOWLEDGED)

    @property
    def wants_acknowledging(self) -> bool:
        """Whether somebody is still to say that he has seen it."""
        return self in (AlarmState.UNACKNOWLEDGED, AlarmState.RETURNED)


class Event(StrEnum):
    """What moves an alarm, or is written into its journal beside."""

    RAISED = "raised"
    CLEARED = "cleared"
    ACKNOWLEDGED = "acknowledged"
    UNKNOWN = "unknown"  # active, and its condition cannot be judged any more
    KNOWN = "known"  # it can be judged again
    SHELVED = "shelved"
    UNSHELVED = "unshelved"
    SUPPRESSED = "suppressed"  # by design: its gateway or path is lost, or somebody works there
    UNSUPPRESSED = "unsuppressed"
    OUT_OF_SERVICE = "out-of-service"
    IN_SERVICE = "in-service"
    RESET = "reset"  # a latched one, by hand, once its condition is normal


class Kind(StrEnum):
    """What an alarm watches."""

    LOW_LOW = "low-low"
    LOW = "low"
    HIGH = "high"
    HIGH_HIGH = "high-high"
    DEVIATION = "deviation"  # from another point's value
    RATE = "rate"  # of change
    FEEDBACK = "feedback"  # an output and the point that proves its effect disagree
    ORDER = "order"  # the newest order to an output did not end as ordered
    STATE = "state"  # a contact in the state that calls
    COMM_FAIL = "comm-fail"
    SUPPLY = "supply"
    FORECAST = "forecast"  # of the load's disconnect
    QUALITY = "quality"  # a point without a valid value
    LOOP_FAULT = "loop-fault"
    TOTALIZER = "totalizer"
    PERMIT = "permit"  # what may be taken is taken, or may be before its period ends
    GATEWAY = "gateway"
    STORAGE = "storage"
    POLLER = "poller"
    TEST = "test"


class Condition(StrEnum):
    """What a condition is now, as far as is known."""

    NORMAL = "normal"
    ABNORMAL = "abnormal"
    UNKNOWN = "unknown"  # stale or no valid reading: neither completes a delay nor clears


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm as it is set up.

    Attributes:
        key: stable: ``site/tag/kind``, ``site//comm-fail``, ``/gateway/marrowdun``, ``//storage``.
        priority: how soon it wants a person.
        limit: of the value, in the point's own unit; None where there is none.
        deadband: how far the value must come back, in the point's own unit.
        on_delay_s: how long the condition has to last, at two readings at least.
        off_delay_s: how long it has to be over.
        call_when: the word of a contact's state that calls; empty elsewhere.
        rationale: why it is an alarm; consequence: what happens if nobody responds; response:
            what the operator does.
        latched: it stays until it is reset by hand.
        first_up: alarms of one group tell which of them came first; empty: of none.
        other: the tag it is held against: a twin, or what proves an output; empty elsewhere.
        over_s: the span a rate of change is judged over [s].
        built_in: the same alarm as it is built in, where people wrote words or a priority of
            their own for it (rationalised.py); None: it is as built in.

    """

    key: str
    kind: Kind
    priority: Priority
    site: str = ""
    tag: str = ""
    gateway: str = ""
    limit: float | None = None
    deadband: float = 0.0
    on_delay_s: float = 0.0
    off_delay_s: float = 0.0
    call_when: str = ""
    rationale: str = ""
    consequence: str = ""
    response: str = ""
    latched: bool = False
    first_up: str = ""
    other: str = ""
    over_s: float = 0.0
    built_in: "Alarm | None" = None


@dataclass(frozen=True, slots=True)
class Seen:
    """What one look found of an alarm's condition.

    Attributes:
        condition: normal, abnormal or unknown; deadband and delays are not in it yet.
        at_ms: when the reading it rests on was taken.
        value: what was read, in words with its unit; empty where there is none.
        back: the value is beyond the limit by no more than its deadband on the good side: an
            active alarm stays, a normal one is not raised.
        since_ms: since when the condition is known to last, where that is known from elsewhere (a
            site's silence began with its first missed poll); None: since this reading.

    """

    condition: Condition
    at_ms: int | None = None
    value: str = ""
    back: bool = False
    since_ms: int | None = None


@dataclass(frozen=True, slots=True)
class Standing:
    """What is known of an alarm now.

    Attributes:
        state: by the table.
        condition: as it was judged last, without delays.
        raised_ms, cleared_ms, acked_ms, acked_by: of the last time.
        pending_ms: since when the other condition lasts that a delay waits for; None: none waits.
        pending_n: at how many readings of their own time it was seen since.
        seen_ms: of the newest reading that was judged.
        value: of that reading, in words.
        shelved_until_ms, shelved_by, shelved_why: while it is shelved.
        suppressed_by: in a sentence, while it is suppressed by design; empty else.
        out_of_service: by whom and why; empty: in service.
        first: whether it came first of its group.
        is_held_told: whether the journal tells that it is suppressed; it does so only of one that
            something is held back of.

    """

    state: AlarmState = AlarmState.NORMAL
    condition: Condition = Condition.UNKNOWN
    raised_ms: int | None = None
    cleared_ms: int | None = None
    acked_ms: int | None = None
    acked_by: str = ""
    pending_ms: int | None = None
    pending_n: int = 0
    seen_ms: int | None = None
    value: str = ""
    shelved_until_ms: int | None = None
    shelved_by: str = ""
    shelved_why: str = ""
    suppressed_by: str = ""
    out_of_service: str = ""
    first: bool = False
    is_held_told: bool = False

    @property
    def is_shown(self) -> bool:
        """Whether it stands in the list of what calls now."""
        if self.state is AlarmState.NORMAL:
            return False
        return self.shelved_until_ms is None and not (self.suppressed_by or self.out_of_service)


@dataclass(frozen=True, slots=True)
class Entry:
    """One line of the journal; it only grows.

    Attributes:
        alarm: the key.
        event: what happened.
        before, after: the states.
        value: what was read, in words.
        actor: who did it; empty: the machine.
        note: why.

    """

    at_ms: int
    alarm: str
    event: Event
    before: AlarmState
    after: AlarmState
    value: str = ""
    actor: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Step:
    """What one look or one act makes of an alarm: its standing, and what is written down."""

    standing: Standing
    entries: tuple[Entry, ...] = ()


@dataclass(frozen=True, slots=True)
class Alarms:
    """Every alarm of a network with its standing, by key."""

    alarms: Mapping[str, Alarm] = field(default_factory=dict)
    standings: Mapping[str, Standing] = field(default_factory=dict)
