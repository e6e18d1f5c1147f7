"""A plan of many equal sites behind one gateway, for benches that need nothing else."""

from dataclasses import replace

from tallymast.domain.modbus.blocks import site_layout
from tallymast.domain.model import (
    Block,
    Gateway,
    GatewayPlan,
    Point,
    PointKind,
    PollPlan,
    Site,
    SitePlan,
    Table,
    Transport,
    WordLayout,
)

REGISTERS = 20


def gateway(address: str = "in memory", **more: object) -> Gateway:
    """Return a 9600-baud gateway without gaps."""
    plain = Gateway("bench", "Bench mast", Transport.RTU_OVER_TCP, address, min_gap_ms=0.0)
    return replace(plain, **more)  # type: ignore[arg-type]


def plan(
    sites: int, every_s: float, over: Gateway, *, retries: int = 3, timeout_s: float = 1.0
) -> PollPlan:
    """Return a plan of sites with the units 1, 2, … and twenty input registers each."""
    points = tuple(
        Point(f"AI{n}", f"Input {n}", PointKind.ANALOG_INPUT, Table.INPUT, n, WordLayout.UINT16)
        for n in range(REGISTERS)
    )
    ids = {point.tag: n for n, point in enumerate(points, start=1)}
    blocks = (Block(Table.INPUT, 0, REGISTERS),)
    made = tuple(
        SitePlan(
            unit,
            Site(
                f"site-{unit}",
                f"Site {unit}",
                over.key,
                unit,
                "plain",
                points,
                125,
                (),
                timeout_s,
                retries,
                20.0,
                3,
                poll_every_s=every_s,
            ),
            site_layout(unit, unit, points, ids, blocks),
        )
        for unit in range(1, sites + 1)
    )
    return PollPlan(1, (GatewayPlan(1, over, made),))


class Nothing:
    """An outlet that keeps nothing, and work of which there is none."""

    def waiting(self) -> tuple[()]:
        """Return no jobs."""
        return ()

    def stopping(self) -> frozenset[int]:
        """Return no jobs."""
        return frozenset()

    def job_row(self, job_id: int, n: int, body: object) -> None:
        """Take a finding."""

    def poll_done(self, done: object) -> None:
        """Take a poll."""

    def gateway_changed(self, state: object) -> None:
        """Take a state."""

    def job_changed(self, job_id: int, state: object, progress: float, result: str) -> None:
        """Take a job's state."""

    def episode(
        self,
        kind: str,
        gateway_id: int | None,
        site_id: int | None,
        from_ms: int,
        to_ms: int | None,
        reason: str,
    ) -> None:
        """Take an episode."""

    def refused(self, site_id: int, layout_id: int, tags: object, bridges: bool) -> None:
        """Take a refusal."""

    def wire(self, line: object) -> None:
        """Take bytes."""
