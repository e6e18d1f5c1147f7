"""Keeps copies of the database in a folder: makes them, checks them, lets old ones go."""

import shutil
import time
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import tzinfo
from pathlib import Path
from typing import Final

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.domain.keeping import CopyPlan, copy_instant, copy_name, staying
from tallymast.storage.backup import UNFINISHED, backup, check_copy
from tallymast.storage.engine import Database

RESERVE: Final = 256_000_000  # bytes a backup leaves free on its disk; ours


@dataclass(frozen=True, slots=True)
class Copy:
    """A copy that lies in the folder: when it was made, its file's name and bytes."""

    at_ms: int
    name: str
    size: int


def copies_in(folder: Path) -> list[Copy]:
    """Return the copies in a folder, the newest first; none where there is no folder."""
    found = []
    with suppress(OSError):
        for file in folder.iterdir():
            at_ms = copy_instant(file.name)
            if at_ms is not None:
                found.append(Copy(at_ms, file.name, file.stat().st_size))
    return sorted(found, key=lambda copy: copy.at_ms, reverse=True)


def make_copy(database: Database, folder: Path, now_ms: int) -> Copy:
    """Make a copy beside polling, look whether it is whole, and return it.

    Raises:
        ConfigError: the folder cannot be written.
        StorageError: the database refused, or the copy was not whole: it is removed then.

    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise ConfigError(
            f"The backup folder {folder} cannot be made: {error.strerror}."
        ) from error
    _refuse_without_room(database, folder)
    file = folder / copy_name(now_ms)
    while file.exists():  # two within a second
        now_ms += 1000
        file = folder / copy_name(now_ms)
    backup(database, file)
    try:
        check_copy(file)
    except ConfigError as error:
        file.unlink(missing_ok=True)
        raise StorageError(f"The backup was not whole and has been removed: {error}") from error
    return Copy(now_ms, file.name, file.stat().st_size)


def _refuse_without_room(database: Database, folder: Path) -> None:
    """Refuse a copy that would take the room the record itself needs."""
    if database.file is None:
        return
    size, free = database.file.stat().st_size, shutil.disk_usage(folder).free
    if free < size + RESERVE:
        raise ConfigError(
            f"There is no room for a backup in {folder}: it takes about {size / 1e6:.0f} MB, and "
            f"{RESERVE / 1e6:.0f} MB stay free for the record; {free / 1e6:.0f} MB are free. "
            "Make room, or name a folder on another disk with --backup-dir."
        )


def let_go(folder: Path, plan: CopyPlan, zone: tzinfo) -> Sequence[str]:
    """Remove the copies a plan does not keep, and what a killed backup left; return names.

    Files that are not named as copies are never touched.
    """
    copies = copies_in(folder)
    stay = staying((copy.at_ms for copy in copies), plan, zone)
    gone = [copy.name for copy in copies if copy.at_ms not in stay]
    begun = time.time() - 24 * 3600
    for file in folder.glob(f"tallymast-*.sqlite3{UNFINISHED}"):
        with suppress(OSError):
            if file.stat().st_mtime < begun:
                gone.append(file.name)
    for name in gone:
        with suppress(OSError):
            (folder / name).unlink()
    return gone
