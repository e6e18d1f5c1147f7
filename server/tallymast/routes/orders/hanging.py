"""The do-not-operate tags that hang, for pages that show many sites: read again when told or old.

Whoever may order reads them afresh in the transaction of the order; this is for showing.
"""

from collections.abc import Mapping, Sequence
from threading import Lock
from typing import Annotated, Final

from fastapi import Depends, Request

from tallymast.domain.errors import StorageError
from tallymast.domain.orders.model import TagOut
from tallymast.routes.services import Services
from tallymast.storage import tag_outs

OLD_MS: Final = 2000  # ours: so soon a tag hung through another process is shown

Hanging = Mapping[int, tuple[TagOut, ...]]


class HangingTags:
    """Tags that hang, by site id."""

    def __init__(self, given: Services) -> None:
        self._given = given
        self._lock = Lock()
        self._at_ms: int | None = None
        self._tags: Hanging = {}

    def now(self) -> Hanging:
        """Return what hangs; while the database refuses, what hung before."""
        with self._lock:
            now_ms = self._given.now_ms()
            if self._at_ms is None or not 0 <= now_ms - self._at_ms < OLD_MS:
                try:
                    self._tags = self._read()
                except StorageError:
                    if self._at_ms is None:
                        raise
                self._at_ms = now_ms
            return self._tags

    def forget(self) -> None:
        """Have them read again: one was hung or removed."""
        with self._lock:
            self._at_ms = None

    def _read(self) -> Hanging:
        with self._given.database.reading() as connection:
            found = tag_outs.hanging(connection)
        return by_site(found)


def by_site(found: Sequence[TagOut]) -> Hanging:
    """Return tags by the site they hang at, in their order."""
    sites: dict[int, list[TagOut]] = {}
    for one in found:
        sites.setdefault(one.site_id, []).append(one)
    return {site_id: tuple(tags) for site_id, tags in sites.items()}


def hanging_tags(request: Request) -> HangingTags:
    """Return the application's tags."""
    found = request.app.state.hanging_tags
    assert isinstance(found, HangingTags)
    return found


TheTags = Annotated[HangingTags, Depends(hanging_tags)]
