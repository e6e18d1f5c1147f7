"""Who did what, for scripts of supervisors."""

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel

from tallymast.routes.api.spans import TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.services import Given
from tallymast.storage import audit
from tallymast.storage.audit import Wanted

router = APIRouter(prefix="/api/v1", tags=["audit"])

MOST = 1000


class AuditItem(BaseModel):
    """One act."""

    id: int
    at: str
    actor: str
    address: str
    action: str
    subject_kind: str
    subject: str
    before: dict[str, Any]
    after: dict[str, Any]
    sentence: str


class AuditList(BaseModel):
    """A page of acts, the newest first; pass ``next`` as ``before`` to go on, null at the end."""

    items: list[AuditItem]
    next: int | None


@router.get("/audit")
def list_audit(
    given: Given,
    span: TheSpan,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 200,
    before: Annotated[
        int | None, Query(ge=1, lt=2**62, description="`next` of the page before")
    ] = None,
) -> AuditList:
    """List what was done in a span, the newest first."""
    with given.database.reading() as connection:
        found = audit.search(connection, Wanted(span.from_ms, span.to_ms), limit + 1, before)
    items = [
        AuditItem(
            id=one.id,
            at=iso(one.at_ms) or "",
            actor=one.actor,
            address=one.address,
            action=one.action,
            subject_kind=one.subject_kind,
            subject=one.subject_key,
            before=dict(one.before),
            after=dict(one.after),
            sentence=one.sentence,
        )
        for one in found[:limit]
    ]
    return AuditList(items=items, next=items[-1].id if len(found) > limit else None)
