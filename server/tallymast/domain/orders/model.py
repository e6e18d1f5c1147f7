"""What an order to an output is, the states it goes through, and a tag against operating.

Values only. What may be ordered is in rules.py, what a read-back proves in writing.py, what a
feedback point proves in feedback.py.
"""

from dataclasses import dataclass
from enum import StrEnum


class OrderKind(StrEnum):
    """What is asked of an output."""

    ON = "on"
    OFF = "off"
    PULSE = "pulse"  # an on-time is written, the station ends it itself
    SETPOINT = "setpoint"


class OrderState(StrEnum):
    """Where an order stands. It only moves forward, and ends once."""

    STORED = "stored"
    SENDING = "sending"  # committed before its first byte; from here on it may have been sent
    SENT = "sent"  # its bytes are out; what was written is being read back
    CONFIRMED = "confirmed"  # read back: the register holds what was ordered
    UNCONFIRMED = "unconfirmed"  # read back: it does not hold it, or nothing could be read back
    REFUSED = "refused"  # by a rule of ours, or by the station
    NOT_SENT = "not-sent"  # surely no byte of it went out
    UNKNOWN = "unknown"  # nobody can tell whether it was sent; never sent again by itself

    @property
    def is_over(self) -> bool:
        """Whether it has ended."""
        return self not in (OrderState.STORED, OrderState.SENDING, OrderState.SENT)

    @property
    def is_bad(self) -> bool:
        """Whether it ended otherwise than ordered."""
        return self.is_over and self is not OrderState.CONFIRMED


class Proof(StrEnum):
    """What the feedback point says of an order: a statement of its own beside the read-back."""

    NONE = ""  # the output has no feedback point, or the order never got so far
    WAITING = "waiting"
    PROVEN = "proven"
    NOT_PROVEN = "not-proven"  # its time passed, and fresh readings say otherwise
    UNKNOWN = "unknown"  # its time passed without a fresh reading


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a person asks of one output.

    Attributes:
        want: 1 and 0 for on and off, the value in the point's own unit for a set-point; None for
            a pulse.
        duration_s: the on-time of a pulse; None elsewhere.

    """

    kind: OrderKind
    want: float | None = None
    duration_s: float | None = None


@dataclass(frozen=True, slots=True)
class Order:
    """One order as it is stored.

    Attributes:
        request_key: made by whoever asks, so that the same request is one order.
        tag: the output's tag as it is now.
        seen, seen_ms: what the output showed to the person who ordered, in words, and when.
        expires_ms: it is not begun from this instant on [UTC ms].
        worker: the process that took it; empty before.
        code: the Modbus exception answered, else 0.
        reason: why it ended so, a sentence; empty while it goes on.
        readback: the value read back, in the point's own unit (counts of seconds for a pulse).
        source: page, api or check-out.

    """

    id: int
    request_key: str
    made_ms: int
    actor: str
    account_id: int | None
    site_id: int
    point_id: int
    tag: str
    wanted: Wanted
    seen: str
    seen_ms: int | None
    state: OrderState
    state_ms: int
    expires_ms: int
    worker: str = ""
    code: int = 0
    reason: str = ""
    sent_ms: int | None = None
    readback: float | None = None
    readback_ms: int | None = None
    feedback: Proof = Proof.NONE
    feedback_ms: int | None = None
    feedback_said: str = ""
    source: str = "page"


@dataclass(frozen=True, slots=True)
class OrderStep:
    """One line of an order's history; it only grows."""

    order_id: int
    n: int
    at_ms: int
    state: OrderState
    detail: str  # a sentence


@dataclass(frozen=True, slots=True)
class TagOut:
    """A do-not-operate tag on a whole site or one output. It is not a lock-out.

    Attributes:
        point_id, tag: of the output; None and empty: the whole site.
        account_id: of who hung it; None while there are no accounts.

    """

    id: int
    site_id: int
    point_id: int | None
    tag: str
    actor: str
    account_id: int | None
    at_ms: int
    reason: str
    removed_ms: int | None = None
    removed_by: str = ""
    note: str = ""

    def holds_for(self, point_id: int) -> bool:
        """Whether it hangs, and on this output or its whole site."""
        return self.removed_ms is None and self.point_id in (None, point_id)


# --- between whoever keeps orders and whoever sends them ----------------------------------


@dataclass(frozen=True, slots=True)
class Sendable:
    """A stored order that nobody has begun, as the poller sees it."""

    id: int
    site_id: int
    tag: str
    wanted: Wanted
    expires_ms: int


@dataclass(frozen=True, slots=True)
class Told:
    """What the poller tells of an order it has begun.

    Attributes:
        detail: a sentence.
        code: the Modbus exception answered, else 0.
        readback: the value read back, in the point's own unit; None where none was.

    """

    state: OrderState
    at_ms: int
    detail: str
    code: int = 0
    sent_ms: int | None = None
    readback: float | None = None
    readback_ms: int | None = None
