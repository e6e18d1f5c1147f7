"""Keeps orders to outputs with every step they take; an order only moves forward, and ends once.

Whoever sends one claims it first: one statement that moves one row, committed before the first
byte. Nothing here ever brings an order back to where it could be sent again.
"""

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import (
    ColumnElement,
    Connection,
    Row,
    Select,
    func,
    insert,
    or_,
    select,
    update,
)
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.sql.dml import ReturningInsert

from tallymast.domain.orders.model import (
    Order,
    OrderKind,
    OrderState,
    OrderStep,
    Proof,
    TagOut,
    Told,
    Wanted,
)
from tallymast.storage import schema, tag_outs
from tallymast.storage.changes import log_change

# Ours: so far may the clocks of two computers differ that make and send orders.
CLOCKS_APART_MS: Final = 2_000
LATELY: Final = 1000  # Ours: among so many orders is every one that anything is still waited for

_table = schema.orders
_RANK: Final = {OrderState.STORED: 0, OrderState.SENDING: 1, OrderState.SENT: 2}
_END: Final = 3
_SET_BACK = (
    "Expired: the clock was set back since it was ordered, so nobody knows how old it is. "
    "It was not sent."
)
_ABANDONED: Final = {
    OrderState.SENDING: "Tallymast was ended while it was being sent: it may have been sent, or "
    "not. It is never sent again; look at the output.",
    OrderState.SENT: "Tallymast was ended after it was sent and before it was read back: nobody "
    "knows whether it holds. It is never sent again; look at the output.",
}


@dataclass(frozen=True, slots=True)
class NewOrder:
    """What is stored of an order when it is made; the attributes are those of ``Order``."""

    request_key: str
    made_ms: int
    expires_ms: int
    actor: str
    account_id: int | None
    site_id: int
    point_id: int
    wanted: Wanted
    seen: str = ""
    seen_ms: int | None = None
    source: str = "page"


# --- made, and read ---------------------------------------------------------------------


def make(conn: Connection, new: NewOrder) -> tuple[Order, bool]:
    """Store an order, ready to be sent.

    Returns:
        The order, and whether it is new: the same request key gives the one that is stored.

    """
    log_change(conn, new.made_ms, "order", new.request_key)
    number = conn.execute(_inserted(conn).values(**_row_of(new))).scalar()
    if number is None:
        return _known(by_key(conn, new.request_key)), False
    good_s = (new.expires_ms - new.made_ms) / 1000
    who = new.actor or "nobody named"
    said = f"Ordered by {who}; to be sent within {good_s:g} s."
    _add_step(conn, int(number), new.made_ms, OrderState.STORED, said)
    return _known(order(conn, int(number))), True


def order(conn: Connection, order_id: int) -> Order | None:
    """Return an order, or None where there was never one of this number."""
    return _one(conn, _found().where(_table.c.id == order_id))


def by_key(conn: Connection, request_key: str) -> Order | None:
    """Return the order of a request, or None."""
    return _one(conn, _found().where(_table.c.request_key == request_key))


def of_site(conn: Connection, site_id: int, from_ms: int, limit: int) -> tuple[Order, ...]:
    """Return a site's orders made from an instant on, newest first."""
    where = (_table.c.site_id == site_id, _table.c.made_ms >= from_ms)
    return _all(conn, _found().where(*where).limit(limit))


def recent(conn: Connection, from_ms: int, limit: int) -> tuple[Order, ...]:
    """Return the orders made from an instant on, newest first."""
    return _all(conn, _found().where(_table.c.made_ms >= from_ms).limit(limit))


def of_point(conn: Connection, point_id: int, from_ms: int) -> tuple[Order, ...]:
    """Return the orders to one output made from an instant on, newest first."""
    point = schema.point
    site = select(point.c.site_id).where(point.c.id == point_id).scalar_subquery()
    where = (_table.c.site_id == site, _table.c.point_id == point_id, _table.c.made_ms >= from_ms)
    return _all(conn, _found().where(*where))


def latest_by_point(conn: Connection) -> dict[int, Order]:
    """Return each output's newest order, by point id."""
    newest = select(func.max(_table.c.id)).group_by(_table.c.point_id)
    return {one.point_id: one for one in _all(conn, _found().where(_table.c.id.in_(newest)))}


def in_state(conn: Connection, state: OrderState, *where: ColumnElement[bool]) -> tuple[Order, ...]:
    """Return the orders that stand so, and meet the conditions, oldest first."""
    return _all(conn, _found().where(_table.c.state == state.value, *where))[::-1]


def lately(conn: Connection, *where: ColumnElement[bool]) -> tuple[Order, ...]:
    """Return those of the last thousand orders that meet the conditions, oldest first."""
    newest = select(func.max(_table.c.id)).scalar_subquery()
    return _all(conn, _found().where(_table.c.id > newest - LATELY, *where))[::-1]


def listed(conn: Connection, where: Sequence[ColumnElement[bool]], limit: int) -> tuple[Order, ...]:
    """Return the orders that meet conditions, newest first."""
    return _all(conn, _found().where(*where).limit(limit))


def steps(conn: Connection, order_id: int) -> tuple[OrderStep, ...]:
    """Return what happened to an order, oldest first."""
    table = schema.order_step
    query = select(table).where(table.c.order_id == order_id).order_by(table.c.n)
    return tuple(
        OrderStep(row.order_id, row.n, row.at_ms, OrderState(row.state), row.detail)
        for row in conn.execute(query)
    )


# --- its way ----------------------------------------------------------------------------


def claim(conn: Connection, order_id: int, worker: str, now_ms: int) -> bool:
    """Let an order be sent by ``worker``, once the caller's transaction is committed.

    Returns:
        Whether it may. If not, and it was still stored, it has ended here: refused where a
        do-not-operate tag hangs on the output or its site, else not sent because it expired.
        A clock set back since it was made counts as expired.

    """
    log_change(conn, now_ms, "order", str(order_id))  # from here on no tag is hung beside us
    tag = tag_outs.hangs_on(_table.c.site_id, _table.c.point_id)
    moved = conn.execute(
        update(_table)
        .where(
            _table.c.id == order_id,
            _table.c.state == OrderState.STORED.value,
            _table.c.made_ms <= now_ms,
            _table.c.expires_ms > now_ms,
            ~tag,
        )
        .values(state=OrderState.SENDING.value, state_ms=now_ms, worker=worker)
    )
    if moved.rowcount == 1:
        _add_step(conn, order_id, now_ms, OrderState.SENDING, "It is being sent.")
        return True
    found = order(conn, order_id)
    if found is not None and found.state is OrderState.STORED:
        _end_unclaimed(conn, found, now_ms)
    return False


def tell(conn: Connection, order_id: int, told: Told) -> bool:
    """Store what became of an order; told twice it is stored once.

    Returns:
        Whether the order's state moved. It only moves forward: what comes later than a later
        state, or than its end, is a step in its history and changes nothing else.

    """
    log_change(conn, told.at_ms, "order", str(order_id))
    found = order(conn, order_id)
    if found is None or _is_told(conn, order_id, told):
        return False
    moves = _rank(told.state) > _rank(found.state)
    if moves:
        values = _changes(told)
        conn.execute(update(_table).where(_table.c.id == order_id).values(**values))
    state = told.state if moves else found.state
    _add_step(conn, order_id, told.at_ms, state, told.detail)
    return moves


def expire(conn: Connection, now_ms: int, also: Collection[int] = ()) -> int:
    """End the stored orders that nobody has begun in time; return how many.

    Args:
        conn: a writing connection.
        now_ms: the time of day [UTC ms].
        also: orders whose time is over by a clock that nobody can set.

    """
    past = or_(
        _table.c.expires_ms <= now_ms,
        _table.c.made_ms > now_ms + CLOCKS_APART_MS,
        _table.c.id.in_(also),
    )
    query = _found().where(_table.c.state == OrderState.STORED.value, past)
    found = _all(conn, query)
    for one in found:
        is_ahead = one.made_ms > now_ms + CLOCKS_APART_MS
        said = _SET_BACK if is_ahead else _expired(one)
        tell(conn, one.id, Told(OrderState.NOT_SENT, now_ms, said))
    return len(found)


def abandon(conn: Connection, worker: str, now_ms: int) -> int:
    """End what a worker that is gone was sending, as unknown; return how many there were.

    To be called once by ``worker``, before it claims anything. None of it is sent again.
    """
    begun = [state.value for state in _ABANDONED]
    query = _found().where(_table.c.state.in_(begun), _table.c.worker != worker)
    found = _all(conn, query)
    for one in found:
        tell(conn, one.id, Told(OrderState.UNKNOWN, now_ms, _ABANDONED[one.state]))
    return len(found)


def _end_unclaimed(conn: Connection, found: Order, now_ms: int) -> None:
    """End a stored order that may not be sent, and say why."""
    tags = tag_outs.hanging(conn, found.site_id)
    tag = next((one for one in tags if one.holds_for(found.point_id)), None)
    if tag is not None:
        told = Told(OrderState.REFUSED, now_ms, tag_sentence(tag))
    elif found.made_ms > now_ms:
        told = Told(OrderState.NOT_SENT, now_ms, _SET_BACK)
    else:
        told = Told(OrderState.NOT_SENT, now_ms, _expired(found))
    tell(conn, found.id, told)


def tag_sentence(tag: TagOut) -> str:
    """Return why an order is refused where a do-not-operate tag hangs."""
    where = f"{tag.tag} has" if tag.point_id is not None else "The whole site has"
    return f"Not sent: {where} a do-not-operate tag by {tag.actor}: {tag.reason}"


def _expired(one: Order) -> str:
    good_s = (one.expires_ms - one.made_ms) / 1000
    return f"Expired: it could not be sent within {good_s:g} s."


# --- rows -------------------------------------------------------------------------------


def _rank(state: OrderState) -> int:
    return _RANK.get(state, _END)


def _changes(told: Told) -> Mapping[str, Any]:
    values: dict[str, Any] = {"state": told.state.value, "state_ms": told.at_ms}
    if told.state.is_over:
        values["reason"] = told.detail
    if told.code:
        values["code"] = told.code
    if told.sent_ms is not None:
        values["sent_ms"] = told.sent_ms
    if told.readback_ms is not None:
        values |= {"readback": _number(told.readback), "readback_ms": told.readback_ms}
    return values


def _number(value: float | None) -> float | None:
    """Return a read-back as it is kept: what is no number is none, as SQLite would have it."""
    return None if value is None or math.isnan(value) else value


def _is_told(conn: Connection, order_id: int, told: Told) -> bool:
    """Whether just this is stored already, as after a commit whose answer was lost."""
    table = schema.order_step
    query = select(func.count()).where(
        table.c.order_id == order_id,
        table.c.at_ms == told.at_ms,
        table.c.detail == told.detail,
    )
    return conn.execute(query).scalar_one() > 0


def add_step(conn: Connection, found: Order, at_ms: int, detail: str) -> None:
    """Write into an order's history what changes its state no more."""
    _add_step(conn, found.id, at_ms, found.state, detail)


def _add_step(conn: Connection, order_id: int, at_ms: int, state: OrderState, detail: str) -> None:
    table = schema.order_step
    query = select(func.coalesce(func.max(table.c.n), -1)).where(table.c.order_id == order_id)
    n = int(conn.execute(query).scalar_one()) + 1
    row = {
        "order_id": order_id,
        "n": n,
        "at_ms": at_ms,
        "state": state.value,
        "detail": detail,
    }
    conn.execute(insert(table), [row])


def _inserted(conn: Connection) -> ReturningInsert[int]:
    """Return the statement for a new order; a request key that is there inserts nothing."""
    statement = (
        sqlite.insert(_table) if conn.dialect.name == "sqlite" else postgresql.insert(_table)
    )
    key = [_table.c.request_key]
    return statement.on_conflict_do_nothing(index_elements=key).returning(_table.c.id)


def _found() -> Select[Any]:
    """Return the query for orders with their tags, newest first."""
    joined = _table.join(schema.point, schema.point.c.id == _table.c.point_id)
    query = select(_table, schema.point.c.tag).select_from(joined)
    return query.order_by(_table.c.id.desc())


def _one(conn: Connection, query: Select[Any]) -> Order | None:
    row = conn.execute(query).one_or_none()
    return _order(row) if row else None


def _all(conn: Connection, query: Select[Any]) -> tuple[Order, ...]:
    return tuple(_order(row) for row in conn.execute(query))


def _known(found: Order | None) -> Order:
    assert found is not None, "an order that was just stored is not there"
    return found


def _row_of(new: NewOrder) -> dict[str, Any]:
    duration_s = new.wanted.duration_s
    return {
        "request_key": new.request_key,
        "made_ms": new.made_ms,
        "actor": new.actor,
        "account_id": new.account_id,
        "site_id": new.site_id,
        "point_id": new.point_id,
        "kind": new.wanted.kind.value,
        "want": new.wanted.want,
        "duration_ms": None if duration_s is None else round(1000 * duration_s),
        "seen": new.seen,
        "seen_ms": new.seen_ms,
        "state": OrderState.STORED.value,
        "state_ms": new.made_ms,
        "expires_ms": new.expires_ms,
        "worker": "",
        "code": 0,
        "reason": "",
        "feedback": Proof.NONE.value,
        "feedback_said": "",
        "source": new.source,
    }


def _order(row: Row[Any]) -> Order:
    duration_s = None if row.duration_ms is None else row.duration_ms / 1000
    return Order(
        id=row.id,
        request_key=row.request_key,
        made_ms=row.made_ms,
        actor=row.actor,
        account_id=row.account_id,
        site_id=row.site_id,
        point_id=row.point_id,
        tag=row.tag,
        wanted=Wanted(OrderKind(row.kind), row.want, duration_s),
        seen=row.seen,
        seen_ms=row.seen_ms,
        state=OrderState(row.state),
        state_ms=row.state_ms,
        expires_ms=row.expires_ms,
        worker=row.worker,
        code=row.code,
        reason=row.reason,
        sent_ms=row.sent_ms,
        readback=row.readback,
        readback_ms=row.readback_ms,
        feedback=Proof(row.feedback),
        feedback_ms=row.feedback_ms,
        feedback_said=row.feedback_said,
        source=row.source,
    )
