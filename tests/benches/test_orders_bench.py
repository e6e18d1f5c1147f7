"""The bench of orders is clean, and would see a false confirmation if there were one."""

from dataclasses import replace
from pathlib import Path

import pytest

from tallymast.benches.order_faults import Tally, Truth, try_fault
from tallymast.benches.order_station import Deed, Shown
from tallymast.domain.orders import writing
from tallymast.domain.orders.model import Order, OrderKind, OrderState, Wanted

PULSE = Order(
    id=1,
    request_key="k",
    made_ms=10_000,
    actor="ada",
    account_id=None,
    site_id=1,
    point_id=4,
    tag="RAISE",
    wanted=Wanted(OrderKind.PULSE, None, 60.0),
    seen="",
    seen_ms=None,
    state=OrderState.CONFIRMED,
    state_ms=12_000,
    expires_ms=40_000,
    sent_ms=10_100,
    readback_ms=11_000,
)


def deed(at_s: float) -> Deed:
    return Deed(at_s, 2, 30, (600,))


def counted(found: Order | None, *deeds: Deed, shown: int = 590, steps: int = 4) -> Tally:
    tally = Tally()
    tally.add(found, steps, Truth(600, deeds, [Shown(10.9, 2, 30, shown)]))
    return tally


def test_it_counts_what_the_station_did_against_what_was_said() -> None:
    good = counted(PULSE, deed(10.1))
    assert (good.false_done, good.doubled, good.lost) == (0, 0, 0)
    assert counted(PULSE, deed(10.1), deed(10.5)).doubled == 1
    assert counted(PULSE).false_done == 1  # time left of another pulse
    assert counted(PULSE, deed(10.1), shown=0).false_done == 1
    assert counted(None).lost == 1
    assert counted(replace(PULSE, state=OrderState.SENT), deed(10.1)).lost == 1
    unknown = counted(replace(PULSE, state=OrderState.UNKNOWN))
    assert (unknown.false_done, unknown.lost, unknown.states) == (0, 0, {"unknown": 1})


def test_writes_nobody_heard_are_not_confirmed(tmp_path: Path) -> None:
    found = try_fault("unheard", 6, 5, tmp_path)
    assert (found.false_done, found.doubled, found.lost, found.struck) == (0, 0, 0, 6)
    assert found.states["unconfirmed"] >= 2  # it is not that nothing was sent


def test_it_sees_what_happens_where_every_read_back_is_believed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(writing, "holds", lambda *_: True)
    assert try_fault("unheard", 6, 5, tmp_path).false_done >= 2
