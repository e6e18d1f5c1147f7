"""Asks for scans and reads what they found so far; what it means is said in scan_rows.py."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.commissioning.matching import likeliest_first, profile_blocks
from tallymast.domain.commissioning.scanning import Heard, heard_of, spans_of
from tallymast.domain.model import GatewayPlan, Job, JobState, Profile, SitePlan
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import jobs

LOOKED_BACK = 40  # Ours: so many scans are looked through for one of a site

Blocks = dict[str, list[list[Any]]]


@dataclass(frozen=True, slots=True)
class Scan:
    """A scan and what it has heard so far."""

    job: Job
    heard: tuple[Heard, ...]

    @property
    def is_over(self) -> bool:
        """Whether it has ended, done or not."""
        return is_over(self.job)

    @property
    def about(self) -> Mapping[str, Any]:
        """For which site and what for, where it is for one: ``site``, ``why``, ``on``."""
        found = self.job.params.get("about")
        return found if isinstance(found, Mapping) else {}

    def of_unit(self, unit: int) -> Heard | None:
        """Return what one address brought, None where it was not asked (yet)."""
        return next((row for row in self.heard if row.unit == unit), None)


def is_over(job: Job) -> bool:
    """Return whether a job has ended, done or not."""
    return job.state in (JobState.DONE, JobState.FAILED)


def blocks_of(
    profiles: Sequence[Profile], gateway: GatewayPlan, expected: str | None = None
) -> Blocks:
    """Return the reads of each profile behind a gateway, the likeliest profile first."""
    in_use = [plan.site.profile for plan in gateway.sites]
    return {
        profile.key: [
            [block.table.value, block.start, block.count]
            for block in profile_blocks(profile, gateway.gateway)
        ]
        for profile in likeliest_first(profiles, expected, in_use)
    }


def registers_of(blocks: Mapping[str, Sequence[Sequence[Any]]]) -> dict[str, int]:
    """Return how many registers the reads of each profile cover."""
    return {key: sum(int(one[2]) for one in some) for key, some in blocks.items()}


def questions_of(blocks: Blocks) -> int:
    """Return how many different reads some profiles come to; the same one is asked once."""
    return len({tuple(one) for some in blocks.values() for one in some})


def ask_scan(
    given: Services,
    person: Person,
    gateway: GatewayPlan,
    units: Sequence[int],
    blocks: Blocks,
    timeout_s: float,
    about: Mapping[str, Any] | None = None,
) -> Job:
    """Store the wish for a scan and return it.

    Args:
        given: what routes may use.
        person: who asks.
        gateway: behind which to ask.
        units: addresses, in order.
        blocks: reads to try on who answers, by profile.
        timeout_s: how long to wait for each answer [s].
        about: for which site and what for, where it is for one.

    Raises:
        Problem: one goes on already.

    """
    name = gateway.gateway.name
    with given.database.writing() as connection:
        last = jobs.newest_of_gateway(connection, "scan", gateway.gateway_id)
        if last is not None and not is_over(last):
            raise Problem(409, f"A scan goes on behind {name}; wait for its end, or stop it first.")
        after = {"words": spans_of(units)}
        told = Act("gateway.scan", "gateway", gateway.gateway.key, {}, after, name)
        tell(connection, given, person, told)
        return jobs.ask(
            connection,
            "scan",
            gateway_id=gateway.gateway_id,
            actor=person.name,
            at_ms=given.now_ms(),
            params={
                "units": list(units),
                "profiles": blocks,
                "order": list(blocks),  # a stored object has its keys in the alphabet's order
                "timeout_s": timeout_s,
                "about": dict(about or {}),
            },
        )


def newest_scan(connection: Connection, gateway: GatewayPlan) -> Scan | None:
    """Return the latest scan of more than one site's address behind a gateway."""
    for job in _scans(connection, gateway):
        scan = Scan(job, ())
        if not scan.about:
            return _with_rows(connection, job)
    return None


def scan_about(
    connection: Connection, gateway: GatewayPlan, plan: SitePlan, why: str
) -> Scan | None:
    """Return the latest scan made for one site and purpose; at its address as it is now."""
    for job in _scans(connection, gateway):
        about = Scan(job, ()).about
        is_its = about.get("site") == plan.site_id and about.get("why") == why
        if is_its and list(job.params.get("units", ())) == [plan.site.unit]:
            return _with_rows(connection, job)
    return None


def scan_with(connection: Connection, gateway: GatewayPlan, unit: int) -> Scan | None:
    """Return the latest scan that has asked an address with all profiles, None without one."""
    for job in _scans(connection, gateway):
        if Scan(job, ()).about.get("why") != "duplicate" and unit in job.params.get("units", ()):
            scan = _with_rows(connection, job)
            if scan.of_unit(unit) is not None or not scan.is_over:
                return scan
    return None


def _scans(connection: Connection, gateway: GatewayPlan) -> list[Job]:
    found = jobs.newest(connection, "scan", LOOKED_BACK)
    return [job for job in found if job.gateway_id == gateway.gateway_id]


def _with_rows(connection: Connection, job: Job) -> Scan:
    return Scan(job, tuple(heard_of(row) for row in jobs.rows(connection, job.id)))
