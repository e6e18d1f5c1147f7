"""Keeps what is known of an order after its end: its feedback, and how its output stood later."""

from sqlalchemy import Connection, Exists, select, update

from tallymast.domain.orders.model import Order, OrderKind, OrderState, Proof
from tallymast.storage import orders, schema
from tallymast.storage.changes import log_change

_table = schema.orders
_UNTOUCHED = [one.value for one in (OrderState.STORED, OrderState.REFUSED, OrderState.NOT_SENT)]


def waiting(conn: Connection) -> tuple[Order, ...]:
    """Return the orders whose feedback is waited for, oldest first."""
    is_waiting = _table.c.feedback == Proof.WAITING.value
    return orders.in_state(conn, OrderState.CONFIRMED, is_waiting)


def overtaken(conn: Connection) -> tuple[Order, ...]:
    """Return those of them after which another order may have gone to the same output."""
    is_waiting = _table.c.feedback == Proof.WAITING.value
    return orders.in_state(conn, OrderState.CONFIRMED, is_waiting, _is_overtaken())


def wait(conn: Connection, order_id: int, at_ms: int) -> None:
    """Wait for an order's feedback from now on."""
    _keep(conn, order_id, Proof.WAITING, at_ms, "")


def prove(conn: Connection, found: Order, proof: Proof, at_ms: int, said: str) -> None:
    """Store what the feedback proved, and when that was; ``said`` is a sentence."""
    _keep(conn, found.id, proof, at_ms, said)
    orders.add_step(conn, found, at_ms, said)


def unread(conn: Connection) -> tuple[Order, ...]:
    """Return the unknown on/off orders whose output nobody has read since, oldest first.

    One after which another order may have gone to the same output is left out: what the
    output shows now is not its doing.
    """
    return orders.in_state(
        conn,
        OrderState.UNKNOWN,
        _table.c.readback_ms.is_(None),
        _table.c.kind.in_([OrderKind.ON.value, OrderKind.OFF.value]),
        ~_is_overtaken(),
    )


def read_later(conn: Connection, found: Order, value: float, at_ms: int, said: str) -> None:
    """Store how the output of an unknown order was read afterwards; it stays unknown."""
    log_change(conn, at_ms, "order", str(found.id))
    changed = conn.execute(
        update(_table)
        .where(_table.c.id == found.id, _table.c.readback_ms.is_(None))
        .values(readback=value, readback_ms=at_ms)
    )
    if changed.rowcount:
        orders.add_step(conn, found, at_ms, said)


def _keep(conn: Connection, order_id: int, proof: Proof, at_ms: int, said: str) -> None:
    log_change(conn, at_ms, "order", str(order_id))
    values = {"feedback": proof.value, "feedback_ms": at_ms, "feedback_said": said}
    conn.execute(update(_table).where(_table.c.id == order_id).values(**values))


def _is_overtaken() -> Exists:
    later = _table.alias()
    return (
        select(later.c.id)
        .where(
            later.c.point_id == _table.c.point_id,
            later.c.id > _table.c.id,
            later.c.state.not_in(_UNTOUCHED),
        )
        .exists()
    )
