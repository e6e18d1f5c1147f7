"""Files made while somebody waits: a few at a time, named, and written down in the audit."""

from collections.abc import Iterator
from contextlib import contextmanager
from threading import BoundedSemaphore

from fastapi import Response

from tallymast.domain.audit import Act
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, tell


class Turns:
    """Lets so many files be made at a time; pages need the machine as well.

    Args:
        many: at a time.
        busy: what whoever comes then is told, a sentence.

    """

    def __init__(self, many: int, busy: str) -> None:
        self._free = BoundedSemaphore(many)
        self._busy = busy

    @contextmanager
    def one(self) -> Iterator[None]:
        """Make a file in this block, or refuse it while enough others are made.

        Raises:
            Problem: 503, enough others are.

        """
        if not self._free.acquire(blocking=False):
            raise Problem(503, self._busy)
        try:
            yield
        finally:
            self._free.release()


def attached(body: bytes, name: str, media: str) -> Response:
    """Return a file to be saved under a name."""
    headers = {"Content-Disposition": f'attachment; filename="{name}"'}
    return Response(body, media_type=media, headers=headers)


def tell_made(given: Services, person: Person, what: str, period: str, kind: str) -> None:
    """Write down who had a file made, where that is known."""
    if person.role is None:
        return
    after = {"period": period, "format": kind}
    with given.database.writing() as connection:
        tell(connection, given, person, Act("report.fetch", "record", "report", {}, after, what))
