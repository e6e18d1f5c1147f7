"""Polls one by one, as they were recorded."""

from typing import Annotated

from fastapi import APIRouter, Query
from pydantic import BaseModel, Field

from tallymast.domain.model import Poll, PollFlag
from tallymast.routes.api.finding import any_site
from tallymast.routes.api.spans import TheSpan
from tallymast.routes.formats import iso
from tallymast.routes.services import Given
from tallymast.storage.polls import polls_between

router = APIRouter(prefix="/api/v1", tags=["polls"])

MOST = 5000


class PollItem(BaseModel):
    """One poll of a site."""

    at: str
    outcome: str = Field(description="first-try, retried, no-answer, garbled or gateway-lost")
    tries: int
    answer_ms: float | None
    code: int | None = Field(description="the Modbus exception code answered, null for none")
    blocks: list[int] = Field(description="which of the site's read blocks were answered")
    probe: bool
    demanded: bool
    suspect: bool
    maintenance: bool


class PollList(BaseModel):
    """A page of polls; pass ``next`` as ``after`` to go on, null at the end."""

    items: list[PollItem]
    next: int | None


@router.get("/sites/{key}/polls")
def list_polls(
    key: str,
    given: Given,
    span: TheSpan,
    limit: Annotated[int, Query(ge=1, le=MOST)] = 1000,
    after: Annotated[int | None, Query(description="`next` of the page before")] = None,
) -> PollList:
    """List a site's polls of a span, oldest first."""
    plan = any_site(given.network(), key)
    with given.database.reading() as connection:
        page = polls_between(connection, plan.site_id, span.from_ms, span.to_ms, limit, after)
    return PollList(items=[poll_item(poll) for poll in page.items], next=page.next)


def poll_item(poll: Poll) -> PollItem:
    """Return a poll as the API names its parts."""
    return PollItem(
        at=iso(poll.at_ms) or "",
        outcome=poll.outcome.name.lower().replace("_", "-"),
        tries=poll.tries,
        answer_ms=poll.answer_ms,
        code=poll.code or None,
        blocks=[n for n in range(poll.got.bit_length()) if poll.got >> n & 1],
        probe=PollFlag.PROBE in poll.flags,
        demanded=PollFlag.DEMAND in poll.flags,
        suspect=PollFlag.SUSPECT in poll.flags,
        maintenance=PollFlag.MAINTENANCE in poll.flags,
    )
