"""A small network by hand: one gateway, a tank behind a repeater, a pump, a meter."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator

import pytest

from tallymast.domain.model import (
    Chemistry,
    FailSafe,
    Gateway,
    Network,
    Order,
    Point,
    PointKind,
    Site,
    Supply,
    SupplyKind,
    Table,
    Transport,
    WordLayout,
    WriteTarget,
)

K, L, T = PointKind, WordLayout, Table


def point(
    tag: str, kind: PointKind, table: Table, register: int, layout: WordLayout, **more: object
) -> Point:
    return Point(tag, tag.title(), kind, table, register, layout, **more)  # type: ignore[arg-type]


TANK = (
    point("RUN", K.DISCRETE_INPUT, T.DISCRETE, 0, L.BOOL, words=("stopped", "running")),
    point(
        "DOOR",
        K.DISCRETE_INPUT,
        T.INPUT,
        0,
        L.BOOL,
        bit=3,
        words=("shut", "open"),
        alarm_when="open",
    ),
    point(
        "VALVE",
        K.DISCRETE_OUTPUT,
        T.COIL,
        2,
        L.BOOL,
        write=WriteTarget(T.COIL, 2, 15),
        fail_safe=FailSafe("off", 300.0),
    ),
    point(
        "LVL",
        K.ANALOG_INPUT,
        T.INPUT,
        4,
        L.UINT16,
        raw=(4000.0, 20000.0),
        value=(0.0, 5.0),
        unit="m",
        loop="4-20mA",
    ),
    point(
        "VDC",
        K.SUPPLY_VOLTAGE,
        T.INPUT,
        5,
        L.UINT16,
        raw=(0.0, 3000.0),
        value=(0.0, 30.0),
        unit="V",
    ),
    point("DBM", K.SIGNAL, T.INPUT, 6, L.INT16, unit="dBm"),
    point("BOOTS", K.COUNTER, T.INPUT, 7, L.UINT16),
)
METER = (
    point(
        "VOL",
        K.TOTALIZER,
        T.INPUT,
        0,
        L.UINT32,
        length=2,
        word_order=Order.LOW_FIRST,
        modulus=2**32,
        max_rate=20.0,
        k_factor=100.0,
        volume_unit="gal",
    ),
    point("FLOW", K.RATE, T.INPUT, 2, L.FLOAT32, length=2, unit="gal/min"),
    point("VDC", K.SUPPLY_VOLTAGE, T.INPUT, 4, L.FLOAT32, length=2, unit="V"),
    point(
        "PULSE",
        K.PULSE_OUTPUT,
        T.HOLDING,
        30,
        L.UINT16,
        write=WriteTarget(T.HOLDING, 30, 16),
        seconds_per_count=0.1,
        max_s=60.0,
    ),
)


def site(key: str, unit: int, points: tuple[Point, ...], **more: object) -> Site:
    return Site(
        key,
        key.title(),
        "mast",
        unit,
        "hand",
        points,
        max_words=20,
        spare=((T.INPUT, 10, 12),),
        reply_timeout_s=2.0,
        retries=2,
        turnaround_ms=20.0,
        miss_limit=3,
        latitude=44.1,
        longitude=-106.3,
        altitude_m=1400.0,
        supply=Supply(SupplyKind.SOLAR, Chemistry.AGM, 12.0, 33.0, panel_w=20.0),
        **more,  # type: ignore[arg-type]
    )


@pytest.fixture
def network() -> Network:
    gateway = Gateway(
        "mast",
        "Mast",
        Transport.RTU_OVER_TCP,
        "127.0.0.1:0",
        latitude=44.1,
        longitude=-106.3,
        altitude_m=1400.0,
    )
    sites = (
        site("saddle", 40, TANK),
        site("tank", 3, TANK, via="saddle"),
        site("meter", 9, METER),
    )
    return Network("By hand", "America/Denver", 7, "America/Denver", (gateway,), (), sites)


Ask = Callable[[tuple[str, int], bytes, int], bytes]


@pytest.fixture
def ask() -> Iterator[Ask]:
    """Send bytes to a gateway and return as many as were asked for (fewer if it closes)."""
    opened: dict[tuple[str, int], socket.socket] = {}

    def exchange(address: tuple[str, int], request: bytes, count: int) -> bytes:
        if address not in opened:
            opened[address] = socket.create_connection(address, timeout=5.0)
        opened[address].sendall(request)
        received = b""
        while len(received) < count:
            more = opened[address].recv(count - len(received))
            if not more:
                break
            received += more
        return received

    yield exchange
    for connection in opened.values():
        connection.close()
