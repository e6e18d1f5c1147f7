"""How the record is kept, for scripts that watch over it."""

from fastapi import APIRouter
from pydantic import BaseModel, Field

from tallymast.routes.formats import iso
from tallymast.routes.services import Given
from tallymast.routes.storage_page import Kept, read_kept
from tallymast.storage.keeping import Attempt

router = APIRouter(prefix="/api/v1", tags=["server"])


class Backup(BaseModel):
    """A backup that was tried."""

    at: str
    name: str | None = Field(description="its file; null where it failed")
    bytes: int
    wrong: str | None = Field(description="why it failed, in a sentence")


class StorageNow(BaseModel):
    """What the record takes, and its backups."""

    state: str = Field(description="ok, waiting or failing")
    since: str | None
    waiting: int = Field(description="polls not stored yet")
    dropped: int = Field(description="polls lost since the start")
    sentence: str | None
    measured_at: str | None
    file_bytes: int | None
    log_bytes: int | None
    unused_bytes: int | None
    disk_free_bytes: int | None
    bytes_per_day: float | None
    days_left: float | None
    tables: dict[str, int]
    last_backup: Backup | None
    last_whole_backup: Backup | None


@router.get("/storage")
def storage_now(given: Given) -> StorageNow:
    """Tell what the record takes, for how long there is room, and when it was last backed up."""
    condition, kept = given.storage_condition(), read_kept(given)
    sizes = kept.measured.sizes if kept.measured else None
    return StorageNow(
        state=condition.state,
        since=iso(condition.since_ms),
        waiting=condition.waiting,
        dropped=condition.dropped,
        sentence=condition.sentence or None,
        measured_at=iso(kept.measured.at_ms) if kept.measured else None,
        file_bytes=sizes.file if sizes else None,
        log_bytes=sizes.log if sizes else None,
        unused_bytes=sizes.unused if sizes else None,
        disk_free_bytes=sizes.free if sizes else None,
        bytes_per_day=sizes.growth if sizes else None,
        days_left=kept.days_left,
        tables=dict(sizes.tables) if sizes else {},
        **_backups(kept),
    )


def _backups(kept: Kept) -> dict[str, Backup | None]:
    return {"last_backup": _backup(kept.last), "last_whole_backup": _backup(kept.good)}


def _backup(attempt: Attempt | None) -> Backup | None:
    if attempt is None:
        return None
    return Backup(
        at=iso(attempt.at_ms) or "",
        name=attempt.name or None,
        bytes=attempt.size,
        wrong=attempt.wrong or None,
    )
