"""Keeps the months' reports for good, each once: a month that is told anew gets a number more.

``reliability-2026-10.html`` is the month as it was told first; what is made anew later, because
polls came late, is ``reliability-2026-10-2.html``. Nothing is ever written over or removed.
"""

import os
import re
import time
from collections.abc import Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tallymast.domain.errors import ConfigError, StorageError
from tallymast.files.whole_file import put_whole
from tallymast.files.writing import UNFINISHED

KINDS: Final = ("html", "xlsx")
_NAME: Final = re.compile(r"reliability-(\d{4}-(?:0[1-9]|1[0-2]))(?:-([2-9]|[1-9]\d+))?\.(\w+)")
_ABANDONED_S: Final = 3600.0  # ours: no report is written for so long


@dataclass(frozen=True, slots=True)
class KeptReport:
    """One file.

    Attributes:
        month: ``2026-10``.
        number: 1 for the first telling, 2 and more where it was made anew.
        kind: ``html`` or ``xlsx``.
        path: where it lies.
        size: bytes.
        made_ms: when it was made, UTC milliseconds.

    """

    month: str
    number: int
    kind: str
    path: Path
    size: int
    made_ms: int


class ReportShelf:
    """The folder of the months' reports; made when the first is written.

    Args:
        folder: where they lie.

    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def kept(self) -> list[KeptReport]:
        """Return every file, the newest month and its newest telling first."""
        found = sorted(self._all(), key=lambda one: one.kind)
        return sorted(found, key=lambda one: (one.month, one.number), reverse=True)

    def of(self, name: str) -> KeptReport | None:
        """Return the file of a name, None where there is none."""
        return _kept(self.folder / name) if _NAME.fullmatch(name) else None

    def whole_months(self) -> set[str]:
        """Return the months of which every kind is kept."""
        first = {(one.month, one.kind) for one in self._all() if one.number == 1}
        return {month for month, _ in first if all((month, kind) in first for kind in KINDS)}

    def next_number(self, month: str) -> int:
        """Return which telling of a month would be the next."""
        return max((one.number for one in self._all() if one.month == month), default=0) + 1

    def keep(self, month: str, number: int, bodies: Mapping[str, bytes], made_ms: int) -> int:
        """Put a telling's files in their places; those that are there stay as they are.

        Args:
            month: ``2026-10``.
            number: which telling.
            bodies: by kind.
            made_ms: when they were made.

        Returns:
            How many were written now; another process may have been first.

        Raises:
            StorageError: the folder cannot be made or written, or the disk is full.

        """
        self._make_folder()
        written = 0
        for kind, body in bodies.items():
            path = self.folder / file_name(month, number, kind)
            if path.exists():
                continue
            try:
                put_whole(path, body)
            except ConfigError as error:
                if path.exists():
                    continue  # another process was first
                raise StorageError(str(error)) from error
            os.utime(path, (made_ms / 1000, made_ms / 1000))
            written += 1
        return written

    def clear_unfinished(self) -> None:
        """Remove what a process that was ended left half-written."""
        if not self.folder.is_dir():
            return
        for path in self.folder.glob(f".*{UNFINISHED}"):
            with suppress(OSError):
                if time.time() - path.stat().st_mtime > _ABANDONED_S:
                    path.unlink()

    def _make_folder(self) -> None:
        try:
            self.folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        except OSError as error:
            raise StorageError(
                f"The folder {self.folder} for reports cannot be made: {error.strerror}."
            ) from error

    def _all(self) -> Iterator[KeptReport]:
        if self.folder.is_dir():
            for path in self.folder.iterdir():
                found = _kept(path)
                if found is not None:
                    yield found


def file_name(month: str, number: int, kind: str) -> str:
    """Return what a telling's file is called."""
    return f"reliability-{month}{'' if number == 1 else f'-{number}'}.{kind}"


def _kept(path: Path) -> KeptReport | None:
    name = _NAME.fullmatch(path.name)
    if name is None or name[3] not in KINDS:
        return None
    try:
        found = path.stat()
    except OSError:
        return None
    made_ms = round(found.st_mtime * 1000)
    return KeptReport(name[1], int(name[2] or 1), name[3], path, found.st_size, made_ms)
