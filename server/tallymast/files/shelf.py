"""Keeps finished exports for a day, and never more of them than there is room for.

A file is named by its job; its time of change is when it was finished.
"""

import os
import shutil
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tallymast.domain.errors import StorageError
from tallymast.domain.exports import FORMATS, Format
from tallymast.files.writing import UNFINISHED

KEPT_MS: Final = 86_400_000
ROOM: Final = 2 * 1024**3  # bytes of all kept exports together
FREE: Final = 512 * 1024**2  # bytes of the disk that no export may take from the record


@dataclass(frozen=True, slots=True)
class Kept:
    """A finished export.

    Attributes:
        job: the number of the job that made it.
        path: where it lies.
        kind: its format.
        size: how long it is [bytes].
        until_ms: until when it is kept, UTC milliseconds.

    """

    job: int
    path: Path
    kind: Format
    size: int
    until_ms: int


class Shelf:
    """The folder of finished exports; made when the first is written.

    Args:
        folder: nothing else lies in it.
        room: how long all files may be together [bytes].
        free: how much of the disk has to stay free [bytes].

    """

    def __init__(self, folder: Path, room: int = ROOM, free: int = FREE) -> None:
        self.folder = folder
        self._room = room
        self._free = free

    def place(self, job: int, kind: Format) -> Path:
        """Return where a job's file goes; the folder is there then.

        Raises:
            StorageError: the folder cannot be made, or the disk is nearly full.

        """
        try:
            self.folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"The folder {self.folder} for exports cannot be made: {error.strerror}."
            ) from error
        self.spare()
        return self.folder / f"{job}.{kind}"

    def spare(self) -> None:
        """Look whether an export may go on.

        Raises:
            StorageError: the disk has too little room left for the record.

        """
        if shutil.disk_usage(self.folder).free < self._free:
            raise StorageError(
                f"The disk with {self.folder} has less than {self._free // 1024**2} MB left, which "
                "are kept for the record. Make room, or export a shorter period."
            )

    def finish(self, job: int, kind: Format, now_ms: int) -> Kept:
        """Keep a job's file from now on; older ones go where there is no room for all.

        Raises:
            StorageError: it alone is longer than there is room; it is removed.

        """
        path = self.folder / f"{job}.{kind}"
        os.utime(path, (now_ms / 1000, now_ms / 1000))
        found = _kept(path)
        if found is None or found.size > self._room:
            path.unlink(missing_ok=True)
            raise StorageError(
                f"The file is longer than the {self._room // 1024**2} MB that are kept. Export a "
                "shorter period, or use `tallymast export` at the machine."
            )
        self.tidy(now_ms)
        return found

    def of(self, job: int, now_ms: int) -> Kept | None:
        """Return a job's file, None where it is not kept (any more)."""
        some = (_kept(self.folder / f"{job}.{kind}") for kind in FORMATS)
        return next((one for one in some if one is not None and now_ms < one.until_ms), None)

    def tidy(self, now_ms: int) -> None:
        """Remove what was kept long enough, then the oldest until the rest has room."""
        taken = 0
        for one in sorted(self._all(), key=lambda one: one.until_ms, reverse=True):
            taken += one.size
            if now_ms >= one.until_ms or taken > self._room:
                one.path.unlink(missing_ok=True)
                taken -= one.size

    def clear_unfinished(self) -> None:
        """Remove what a run that was ended left half-written."""
        if not self.folder.is_dir():
            return
        for path in self.folder.iterdir():
            if path.is_dir() and path.name.startswith("."):
                shutil.rmtree(path, ignore_errors=True)
            elif path.name.endswith(UNFINISHED):
                path.unlink(missing_ok=True)

    def _all(self) -> Iterator[Kept]:
        if self.folder.is_dir():
            for path in self.folder.iterdir():
                found = _kept(path)
                if found is not None:
                    yield found


def _kept(path: Path) -> Kept | None:
    kind = next((one for one in FORMATS if path.suffix == f".{one}"), None)
    if kind is None or not path.stem.isdecimal():
        return None
    try:
        found = path.stat()
    except FileNotFoundError:
        return None
    until_ms = round(found.st_mtime * 1000) + KEPT_MS
    return Kept(int(path.stem), path, kind, found.st_size, until_ms)
