"""What is done with the hardware register, each with its line in the audit."""

from collections.abc import Mapping
from datetime import date
from typing import Any, Final

from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.health.nights import day_number
from tallymast.domain.life.part_words import part_words
from tallymast.domain.life.parts import Entry
from tallymast.domain.model import SitePlan
from tallymast.routes.problems import Problem
from tallymast.routes.services import NetworkView, Services
from tallymast.routes.who import Person, tell
from tallymast.storage import hardware, tasks
from tallymast.storage.hardware import Part

STORE: Final = "the store"


def enter(given: Services, person: Person, entry: Entry, plan: SitePlan | None) -> None:
    """Enter a part at a site, or (None) into the store; a calibration day becomes a task."""
    site_id = plan.site_id if plan is not None else None
    part = part_of(entry, site_id, given.now_ms(), person.name)
    with given.database.writing() as connection:
        made = hardware.enter(connection, part)
        name = plan.site.name if plan is not None else STORE
        told = {"what": part_words(made), "serial": made.serial}
        if plan is not None and made.detail.get("calibration_due"):
            told["task"] = _calibrate(connection, given, person, made, plan)
        tell(connection, given, person, Act("part.enter", "part", str(made.id), {}, told, name))


def _calibrate(
    connection: Connection, given: Services, person: Person, part: Part, plan: SitePlan
) -> str:
    """Write down when a transmitter that was entered is to be calibrated; return what is due."""
    tag = str(part.detail.get("tag", ""))
    what = f"Calibrate {part.name or 'transmitter'}{f' ({tag})' if tag else ''}"
    tasks.add(
        connection,
        site_id=plan.site_id,
        what=what,
        due_day=day_number(date.fromisoformat(part.detail["calibration_due"])),
        every_months=None,
        at_ms=given.now_ms(),
        actor=person.name,
    )
    return what


def part_of(
    entry: Entry,
    site_id: int | None,
    from_ms: int,
    actor: str,
    number: int = 0,
    kept: Mapping[str, Any] | None = None,
) -> Part:
    """Return an entry as the register holds it; ``kept`` of its detail was not typed."""
    return Part(
        id=number,
        site_id=site_id,
        kind=entry.kind,
        name=entry.name,
        from_ms=from_ms,
        serial=entry.serial,
        version=entry.version,
        detail={**entry.detail, **(kept or {})},
        place=entry.place,
        note=entry.note,
        actor=actor,
    )


def take(given: Services, person: Person, part: Part, plan: SitePlan, place: str) -> None:
    """Bring a part from the store, or from another site, to a site."""
    with given.database.writing() as connection:
        move(connection, given, person, part, plan, place)


def to_store(given: Services, person: Person, part: Part, place: str) -> None:
    """Bring a part from a site into the store."""
    with given.database.writing() as connection:
        move(connection, given, person, part, None, place)


def move(
    connection: Connection,
    given: Services,
    person: Person,
    part: Part,
    plan: SitePlan | None,
    place: str,
    at_ms: int | None = None,
) -> Part:
    """Move a part to a site, or (None) into the store, with its line in the audit.

    Args:
        connection: of the transaction in which it is done.
        given: the services.
        person: who moves it.
        part: what is moved.
        plan: where to.
        place: there.
        at_ms: when it was done; None: now.

    Raises:
        Problem: it is there already, or somebody moved it meanwhile.

    """
    to_id = plan.site_id if plan is not None else None
    if part.site_id == to_id:
        raise Problem(409, "It is there already.")
    name = plan.site.name if plan is not None else STORE
    moved = hardware.move(
        connection,
        part,
        to_site_id=to_id,
        place=place,
        how=f"moved to {name}",
        at_ms=given.now_ms() if at_ms is None else max(at_ms, part.from_ms),
        actor=person.name,
    )
    if moved is None:
        raise Problem(409, "Somebody moved it meanwhile; nothing was done. Look once more.")
    told = {"what": part_words(part), "origin": place_of(given.network(), part)}
    tell(connection, given, person, Act("part.move", "part", str(moved.id), {}, told, name))
    return moved


def dispose(given: Services, person: Person, part: Part, how: str) -> None:
    """Take a part out of the register; its dates stay.

    Raises:
        Problem: somebody did meanwhile.

    """
    with given.database.writing() as connection:
        if not hardware.end(connection, part, given.now_ms(), how or "disposed of"):
            raise Problem(409, "This part is not there any more; look at the register anew.")
        told = {"what": part_words(part), "why": how or "disposed of"}
        name = place_of(given.network(), part)
        tell(connection, given, person, Act("part.dispose", "part", str(part.id), {}, told, name))


def sites_by_id(network: NetworkView) -> dict[int, SitePlan]:
    """Return every site, retired ones too, by its number in the database."""
    return {one.site_id: one for one in (*network.sites, *network.retired)}


def place_of(network: NetworkView, part: Part) -> str:
    """Return the name of the site where a part is or was, or ``the store``."""
    plan = sites_by_id(network).get(part.site_id) if part.site_id is not None else None
    return plan.site.name if plan is not None else STORE
