"""Hangs and removes do-not-operate tags, each with its line in the audit; for pages and scripts."""

from typing import Final

from tallymast.domain.audit import Act
from tallymast.domain.model import SitePlan
from tallymast.domain.orders.model import TagOut
from tallymast.domain.people import Role, plain
from tallymast.routes.api.finding import the_point
from tallymast.routes.orders.order_words import OUTPUTS
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell
from tallymast.storage import tag_outs

REASON_LONGEST: Final = 300


def point_id_of(plan: SitePlan, tag: str) -> int:
    """Return the number under which a point of a site is kept.

    Raises:
        Problem: the station refuses its registers, so that nobody reads it.

    """
    for one in plan.layout.points:
        if one.tag == tag:
            return one.point_id
    raise Problem(409, f"{plan.site.name} refuses the registers of {tag}: it is not read.")


def hang(given: Services, person: Person, plan: SitePlan, tag: str, reason: str) -> TagOut:
    """Hang a tag on an output, or (``tag`` empty) on the whole site.

    Raises:
        Problem: no reason, no such output, or one hangs there already.

    """
    reason = plain(reason, REASON_LONGEST)
    if len(reason) < 3:
        raise Problem(422, "Say in a few words why; whoever wants to operate it reads that.")
    point_id = _point_id(plan, tag) if tag else None
    where = _where(plan, tag)
    with given.database.writing() as connection:
        for one in tag_outs.hanging(connection, plan.site_id):
            if one.point_id == point_id:
                raise Problem(409, f"A tag hangs there already: {one.reason} ({one.actor}).")
        after = {"reason": sentence(reason)}
        tell(connection, given, person, Act("tag.hang", "tag", plan.site.key, {}, after, where))
        return tag_outs.hang(
            connection,
            plan.site_id,
            point_id=point_id,
            actor=person.name,
            account_id=person.account_id,
            at_ms=given.now_ms(),
            reason=reason,
        )


def remove(given: Services, person: Person, plan: SitePlan, number: int, note: str) -> None:
    """Remove a tag; only who hung it, or a supervisor, may.

    Raises:
        Problem: no note, no such tag hangs here, or it is somebody else's.

    """
    note = plain(note, REASON_LONGEST)
    if len(note) < 3:
        raise Problem(422, "Write why it may be operated again; the note stays on record.")
    with given.database.writing() as connection:
        found = [one for one in tag_outs.hanging(connection, plan.site_id) if one.id == number]
        if not found:
            raise Problem(404, f"No tag {number} hangs at {plan.site.name} (any more).")
        if not may_remove(person, found[0]):
            raise Problem(
                403,
                f"{found[0].actor} hung this tag: only they or a supervisor remove it. "
                "Nothing was changed.",
            )
        after = {"text": sentence(note), "reason": found[0].reason}
        where = _where(plan, found[0].tag)
        tell(connection, given, person, Act("tag.remove", "tag", plan.site.key, {}, after, where))
        tag_outs.remove(connection, number, person.name, note, given.now_ms())


def may_remove(person: Person, tag: TagOut) -> bool:
    """Return whether somebody may remove a tag: who hung it, or a supervisor."""
    if person.role is Role.SUPERVISOR:
        return True
    if tag.account_id is not None:
        return tag.account_id == person.account_id and person.may("operate")
    return person.account_id is None and tag.actor == person.name and person.may("operate")


def sentence(text: str) -> str:
    """Return words as they end a sentence."""
    return text if text.endswith((".", "!", "?")) else f"{text}."


def _where(plan: SitePlan, tag: str) -> str:
    point = plan.site.point(tag) if tag else None
    if not tag:
        return plan.site.name
    return f"{point.name if point else tag} ({tag}) of {plan.site.name}"


def _point_id(plan: SitePlan, tag: str) -> int:
    point = the_point(plan, tag)
    if point.kind not in OUTPUTS:
        raise Problem(422, f"{tag} of {plan.site.name} is no output: nobody operates it.")
    return point_id_of(plan, tag)
