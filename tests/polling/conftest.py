"""Twins for the poller: an outlet that keeps everything, work that can be handed in, a plan."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import pytest

from tallymast.domain.modbus.blocks import plan_blocks, site_layout
from tallymast.domain.model import (
    Gateway,
    GatewayPlan,
    GatewayState,
    Job,
    JobState,
    Point,
    PointKind,
    PollDone,
    PollPlan,
    Site,
    SitePlan,
    Table,
    Transport,
    WireLine,
    WordLayout,
)


@dataclass
class KeptOutlet:
    """Everything the poller handed up."""

    done: list[PollDone] = field(default_factory=list)
    gateways: list[GatewayState] = field(default_factory=list)
    jobs: list[tuple[int, JobState, str]] = field(default_factory=list)
    episodes: list[tuple[str, int, int | None]] = field(default_factory=list)
    lines: list[WireLine] = field(default_factory=list)
    refusals: list[tuple[int, int, tuple[str, ...], bool]] = field(default_factory=list)
    rows: list[tuple[int, int, Mapping[str, Any]]] = field(default_factory=list)

    def poll_done(self, done: PollDone) -> None:
        self.done.append(done)

    def gateway_changed(self, state: GatewayState) -> None:
        self.gateways.append(state)

    def job_changed(self, job_id: int, state: JobState, progress: float, result: str) -> None:
        self.jobs.append((job_id, state, result))

    def job_row(self, job_id: int, n: int, body: Mapping[str, Any]) -> None:
        self.rows.append((job_id, n, body))

    def episode(
        self,
        kind: str,
        gateway_id: int | None,
        site_id: int | None,
        from_ms: int,
        to_ms: int | None,
        reason: str,
    ) -> None:
        self.episodes.append((kind, from_ms, to_ms))

    def refused(self, site_id: int, layout_id: int, tags: Sequence[str], bridges: bool) -> None:
        self.refusals.append((site_id, layout_id, tuple(tags), bridges))

    def wire(self, line: WireLine) -> None:
        self.lines.append(line)

    def of(self, site_id: int) -> list[PollDone]:
        return [one for one in self.done if one.poll.site_id == site_id]


@dataclass
class HandedWork:
    """Jobs put in by a test."""

    jobs: list[Job] = field(default_factory=list)
    stopped: set[int] = field(default_factory=set)

    def waiting(self) -> list[Job]:
        return self.jobs

    def stopping(self) -> frozenset[int]:
        return frozenset(self.stopped)


GATEWAY = Gateway(
    "mast",
    "Test mast",
    Transport.RTU_OVER_TCP,
    "in memory:1",
    reply_timeout_s=1.0,
    min_gap_ms=0.0,
    quarantine_s=5.0,
)


def site(number: int, every_s: float = 60.0, via: str | None = None, **more: object) -> Site:
    """Return a site of two points: input 0, read always; holding 0, read seldom."""
    from tallymast.domain.model import PollClass

    points = (
        Point("LVL", "Level", PointKind.ANALOG_INPUT, Table.INPUT, 0, WordLayout.UINT16),
        Point(
            "REV",
            "Revision",
            PointKind.REVISION,
            Table.HOLDING,
            0,
            WordLayout.UINT16,
            poll=PollClass.SLOW,
        ),
    )
    made = Site(
        f"site-{number}",
        f"Site {number}",
        "mast",
        number,
        "plain",
        points,
        125,
        (),
        1.0,
        2,
        20.0,
        3,
        poll_every_s=every_s,
        via=via,
    )
    return replace(made, **more)  # type: ignore[arg-type]


def plan_of(*sites: Site, gateway: Gateway = GATEWAY) -> PollPlan:
    """Return a plan; a site's id is its unit address, its points are numbered from 1 on."""
    ids = {one.key: one.unit for one in sites}
    plans = tuple(
        SitePlan(
            one.unit,
            one,
            site_layout(
                one.unit,
                one.unit,
                one.points,
                {point.tag: n for n, point in enumerate(one.points, start=1)},
                plan_blocks(one.points, one.max_words),
            ),
            ids.get(one.via or ""),
        )
        for one in sites
    )
    return PollPlan(1, (GatewayPlan(1, gateway, plans),))


@pytest.fixture
def outlet() -> KeptOutlet:
    """A fresh outlet."""
    return KeptOutlet()


@pytest.fixture
def work() -> HandedWork:
    """Fresh, empty work."""
    return HandedWork()


Answering = Callable[[bytes, float], bytes | None]
