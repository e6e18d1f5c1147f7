"""What people write into a site's log book; a note is never changed, only followed by another."""

from enum import StrEnum

from fastapi import APIRouter
from pydantic import BaseModel, Field
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.model import SitePlan
from tallymast.domain.people import plain
from tallymast.routes.api.finding import the_site
from tallymast.routes.formats import iso
from tallymast.routes.problems import Problem
from tallymast.routes.services import Given, Services
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import notes
from tallymast.storage.notes import Note

router = APIRouter(prefix="/api/v1", tags=["sites"])

LONGEST = 1000


class Kind(StrEnum):
    """What a note is about."""

    OBSERVATION = "observation"
    VISIT = "visit"
    REPAIR = "repair"
    HANDOVER = "handover"


class NewNote(BaseModel):
    """What somebody writes."""

    kind: Kind = Kind.OBSERVATION
    text: str = Field(min_length=3, max_length=LONGEST)
    replaces: int | None = Field(None, ge=1, le=2**63 - 1, description="id of a wrong note")


class NoteItem(BaseModel):
    """What was written."""

    id: int
    at: str
    actor: str
    kind: str
    text: str


@router.post("/sites/{key}/notes", status_code=201)
def write_note(key: str, wanted: NewNote, given: Given, person: ThePerson) -> NoteItem:
    """Write into a site's log book."""
    note = add_note(given, key, wanted.kind, wanted.text, person, wanted.replaces)
    return NoteItem(
        id=note.id, at=iso(note.at_ms) or "", actor=note.actor, kind=note.kind, text=note.text
    )


def add_note(
    given: Services,
    key: str,
    kind: Kind,
    text: str,
    person: Person,
    replaces_id: int | None = None,
) -> Note:
    """Store a note, perhaps in place of a wrong one, and return it.

    A note that replaces another keeps the instant the other one speaks of.

    Raises:
        Problem: no such site, nothing is written, or no such note stands in its log book.

    """
    plan, text = the_site(given.network(), key), plain(text, LONGEST)
    if len(text) < 3:
        raise Problem(422, "Write a few words; whoever comes next reads them.")
    at_ms = given.now_ms()
    with given.database.writing() as connection:
        before = _replaced(connection, plan, replaces_id)
        told = Act(
            "site.note" if before is None else "site.replace-note",
            "site",
            key,
            {} if before is None else {"kind": before.kind, "text": before.text},
            {"kind": kind, "text": text},
            plan.site.name,
        )
        tell(connection, given, person, told)
        return notes.add(
            connection,
            plan.site_id,
            at_ms=at_ms if before is None else before.at_ms,
            actor=person.name,
            kind=kind,
            text=text,
            replaces_id=replaces_id,
        )


def _replaced(connection: Connection, plan: SitePlan, note_id: int | None) -> Note | None:
    if note_id is None:
        return None
    found = notes.standing(connection, plan.site_id, note_id)
    if found is None:
        raise Problem(409, "This note does not stand in the log book any more; load it anew.")
    return found
