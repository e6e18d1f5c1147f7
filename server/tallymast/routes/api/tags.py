"""Do-not-operate tags as scripts hang, list and remove them. A tag is not a lock-out."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict, Field

from tallymast.domain.orders.model import TagOut
from tallymast.routes.api.finding import any_site, the_site
from tallymast.routes.formats import iso
from tallymast.routes.orders import tag_acts
from tallymast.routes.orders.hanging import TheTags
from tallymast.routes.services import Given
from tallymast.routes.who import ThePerson
from tallymast.storage import tag_outs

router = APIRouter(prefix="/api/v1/sites/{key}/tags", tags=["orders"])

MOST = 500


class NewTag(BaseModel):
    """Where a tag is hung, and why."""

    model_config = ConfigDict(extra="forbid")

    tag: str | None = Field(None, max_length=200, description="of the output; null: whole site")
    reason: str = Field(min_length=3, max_length=tag_acts.REASON_LONGEST)


class TagItem(BaseModel):
    """A do-not-operate tag; this is not a lock-out."""

    id: int
    tag: str | None = Field(description="of the output; null: the whole site")
    reason: str
    actor: str
    hung_at: str
    removed_at: str | None
    removed_by: str | None
    note: str | None


class TagList(BaseModel):
    """A site's tags, the newest first."""

    items: list[TagItem]


@router.get("")
def list_tags(
    key: str,
    given: Given,
    removed: Annotated[bool, Query(description="those that were removed too")] = False,
) -> TagList:
    """List the do-not-operate tags of a site."""
    plan = any_site(given.network(), key)
    with given.database.reading() as connection:
        found = tag_outs.history(connection, plan.site_id, MOST)
    return TagList(items=[_item(one) for one in found if removed or one.removed_ms is None])


@router.post("", status_code=201)
def hang_tag(key: str, body: NewTag, given: Given, person: ThePerson, tags: TheTags) -> TagItem:
    """Hang a tag on an output or the whole site: no order is sent there until it is removed."""
    plan = the_site(given.network(), key)
    made = tag_acts.hang(given, person, plan, body.tag or "", body.reason)
    tags.forget()
    return _item(made)


@router.delete("/{number}")
def remove_tag(
    key: str,
    number: int,
    given: Given,
    person: ThePerson,
    tags: TheTags,
    note: Annotated[str, Query(min_length=3, max_length=tag_acts.REASON_LONGEST)],
) -> TagItem:
    """Remove a tag, with a note; only who hung it, or a supervisor, may."""
    plan = any_site(given.network(), key)
    tag_acts.remove(given, person, plan, number, note)
    tags.forget()
    with given.database.reading() as connection:
        found = tag_outs.tag_out(connection, number)
    assert found is not None
    return _item(found)


def _item(one: TagOut) -> TagItem:
    return TagItem(
        id=one.id,
        tag=one.tag or None,
        reason=one.reason,
        actor=one.actor,
        hung_at=iso(one.at_ms) or "",
        removed_at=iso(one.removed_ms),
        removed_by=one.removed_by or None,
        note=one.note or None,
    )
