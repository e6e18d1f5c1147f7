"""Writes down what each station really answered, one JSON line an answer."""

import json
import threading
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from enum import StrEnum
from pathlib import Path
from types import TracebackType
from typing import Self

from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Table


class Fate(StrEnum):
    """What became of an answer on its way."""

    SENT = "sent"
    LOST = "lost"
    LATE = "late"
    GARBLED = "garbled"


@dataclass(frozen=True, slots=True)
class TruthLine:
    """One answer of one station.

    Attributes:
        at_ms: the instant its values are from.
        words: registers, or bits packed with the lowest address in bit 0.

    """

    at_ms: int
    gateway: str
    unit: int
    function: int
    table: Table
    start: int
    count: int
    words: Sequence[int]
    fate: Fate

    def as_json(self) -> str:
        """Return the line as it stands in the file."""
        at = datetime.fromtimestamp(self.at_ms // 1000, UTC)
        body = {
            "at": f"{at:%Y-%m-%dT%H:%M:%S}.{self.at_ms % 1000:03d}Z",
            "gateway": self.gateway,
            "unit": self.unit,
            "function": self.function,
            "table": self.table.value,
            "start": self.start,
            "count": self.count,
            "words": list(self.words),
            "fate": self.fate.value,
        }
        return json.dumps(body, separators=(",", ":"))


class Truth:
    """The file the lines go to, or nowhere; safe to call from several threads."""

    def __init__(self, path: Path | None = None) -> None:
        self._lock = threading.Lock()
        try:
            self._file = None if path is None else path.open("a", encoding="utf-8", buffering=1)
        except OSError as error:
            raise ConfigError(f"{path}: cannot be written ({error.strerror}).") from error

    def tell(self, line: TruthLine) -> None:
        """Write one line, whole, at once."""
        if self._file is not None:
            with self._lock:
                self._file.write(line.as_json() + "\n")

    def tell_many(self, lines: str) -> None:
        """Write whole lines made elsewhere, each with its end, at once."""
        if self._file is not None and lines:
            with self._lock:
                self._file.write(lines)

    @property
    def is_kept(self) -> bool:
        """Whether there is a file at all."""
        return self._file is not None

    def close(self) -> None:
        """Close the file; telling more is an error."""
        if self._file is not None:
            self._file.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def packed(bits: Sequence[int]) -> list[int]:
    """Return bits as 16-bit words, the first bit in bit 0 of the first word."""
    words = [0] * ((len(bits) + 15) // 16)
    for n, bit in enumerate(bits):
        words[n // 16] |= int(bool(bit)) << (n % 16)
    return words
