"""Keeps the newest state of each site and gateway, one row each.

A row's ``seq`` comes from the change feed, so that a second process reads only what is new.
"""

import json
from collections.abc import Iterable, Sequence
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, select, text

from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    HourCounts,
    SiteState,
    SiteStatus,
)
from tallymast.storage import schema
from tallymast.storage.changes import canonical, insert_many, next_seq

_COUNTS: Final = ("first_try", "retried", "no_answer", "garbled", "refused", "gateway_lost")


def load_site_states(conn: Connection) -> dict[int, SiteState]:
    """Return the newest state of every site that was ever polled, by site id."""
    return {row.site_id: _site_state(row) for row in conn.execute(select(schema.site_state))}


def load_gateway_states(conn: Connection) -> dict[int, GatewayState]:
    """Return the newest state of every gateway, by gateway id."""
    rows = conn.execute(select(schema.gateway_state))
    return {row.gateway_id: _gateway_state(row) for row in rows}


def states_since(
    conn: Connection, seq: int
) -> tuple[int, Sequence[SiteState], Sequence[GatewayState]]:
    """Return what changed after ``seq``, and the number to ask with the next time."""
    newest = int(conn.execute(text("SELECT n FROM tick")).scalar_one())
    if newest == seq:
        return seq, (), ()
    sites, gateways = schema.site_state, schema.gateway_state
    return (
        newest,
        [_site_state(row) for row in conn.execute(_after(select(sites), sites.c.seq, seq))],
        [
            _gateway_state(row)
            for row in conn.execute(_after(select(gateways), gateways.c.seq, seq))
        ],
    )


def store_states(
    conn: Connection, sites: Iterable[SiteState], gateways: Iterable[GatewayState]
) -> None:
    """Store newest states under one new number of the change feed."""
    seq = next_seq(conn)
    for table, rows in (
        (schema.site_state, [_site_row(state, seq) for state in sites]),
        (schema.gateway_state, [_gateway_row(state, seq) for state in gateways]),
    ):
        if rows:
            insert_many(conn, table, rows)


def _after(query: Select[Any], column: Any, seq: int) -> Select[Any]:
    return query.where(column > seq).order_by(column)


def _site_row(state: SiteState, seq: int) -> tuple[Any, ...]:
    """In the order of the table's columns."""
    return (
        state.site_id,
        seq,
        int(state.status),
        state.since_ms,
        state.layout_id,
        state.last_poll_ms,
        state.last_answer_ms,
        b"".join(words for words in state.block_words if words is not None),
        _block_times(state),
        state.suspect_blocks,
        state.missed_in_row,
        state.good_in_row,
        state.first_miss_ms,
        state.probe_s,
        state.hour_ms,
        _counts_text(state.hour_counts),
        state.code,
    )


def _block_times(state: SiteState) -> str:
    """Return [[at_ms, bytes], null, …]: with it ``words`` can be cut without the layout."""
    parts = (
        "null" if words is None else f"[{'null' if at_ms is None else at_ms},{len(words)}]"
        for at_ms, words in zip(state.block_ms, state.block_words, strict=True)
    )
    return f"[{','.join(parts)}]"


def _counts_text(counts: HourCounts) -> str:
    return f"[{','.join(str(getattr(counts, name)) for name in _COUNTS)}]"


def _site_state(row: Row[Any]) -> SiteState:
    times, words = _cut(row.words, json.loads(row.block_ms))
    return SiteState(
        site_id=row.site_id,
        status=SiteStatus(row.state),
        since_ms=row.since_ms,
        layout_id=row.layout_id,
        last_poll_ms=row.last_poll_ms,
        last_answer_ms=row.last_answer_ms,
        block_words=words,
        block_ms=times,
        suspect_blocks=row.suspect_blocks,
        missed_in_row=row.missed_in_row,
        good_in_row=row.good_in_row,
        first_miss_ms=row.first_miss_ms,
        probe_s=row.probe_s,
        hour_ms=row.hour_ms,
        hour_counts=HourCounts(*json.loads(row.hour_counts)),
        code=row.code,
    )


def _cut(
    words: bytes, blocks: Sequence[Sequence[int] | None]
) -> tuple[tuple[int | None, ...], tuple[bytes | None, ...]]:
    times: list[int | None] = []
    parts: list[bytes | None] = []
    at = 0
    for block in blocks:
        length = block[1] if block else 0
        times.append(block[0] if block else None)
        parts.append(words[at : at + length] if block else None)
        at += length
    return tuple(times), tuple(parts)


def _gateway_row(state: GatewayState, seq: int) -> tuple[Any, ...]:
    """In the order of the table's columns."""
    return (
        state.gateway_id,
        seq,
        int(state.status),
        state.since_ms,
        state.cycle_s,
        state.airtime_used,
        state.exchanges,
        state.lateness_s,
        state.quarantine_s,
        canonical(_book(state)),
        state.sentence,
        state.holds_s,
        None,
    )


def _gateway_state(row: Row[Any]) -> GatewayState:
    return GatewayState(
        gateway_id=row.gateway_id,
        status=GatewayStatus(row.state),
        since_ms=row.since_ms,
        cycle_s=row.cycle_s,
        airtime_used=row.airtime_used,
        exchanges=row.exchanges,
        lateness_s=row.lateness_s,
        quarantine_s=row.quarantine_s,
        sentence=row.sentence,
        holds_s=row.holds_s,
        **_from_book(json.loads(row.busy_s)),
    )


def _book(state: GatewayState) -> dict[str, Any]:
    """Return the airtime book as it is stored."""
    return {
        "purposes": dict(state.busy_s),
        "sites": {str(key): round(share, 5) for key, share in state.site_share.items()},
        "load": state.load,
        "even_s": state.even_s,
        "cost_s": state.cost_s,
        "strangers": state.strangers,
        "cycle_day_s": state.cycle_day_s,
    }


def _from_book(book: dict[str, Any]) -> dict[str, Any]:
    """Return the airtime book's fields; earlier versions stored the purposes alone."""
    if "purposes" not in book:
        return {"busy_s": book}
    return {
        "busy_s": book["purposes"],
        "site_share": {int(key): share for key, share in book["sites"].items()},
        "cycle_day_s": tuple(book["cycle_day_s"]) if book.get("cycle_day_s") else None,
        **{name: book[name] for name in ("load", "even_s", "cost_s", "strangers")},
    }
