"""Writes the demo's older days beside it, and says line by line how far it is and what waits.

A line is ``12 of 60``, with ``: `` and a sentence where something waits (before the days are
counted, ``waits: `` and the sentence); the last may be ``ended: `` and a sentence about what is
missing. ``beside.OlderDays`` reads them for the pages.
"""

from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Final

from tallymast.demo import demonstration
from tallymast.demo.demonstration import Piece, day_words
from tallymast.demo.findings import keep_findings
from tallymast.demo.patience import Patience
from tallymast.demo.rounds import keep_rounds
from tallymast.storage.engine import Database

ENDED: Final = "ended: "
_NAMED: Final = 3  # ours: of so many days a sentence gives the dates


def opened(
    open_it: Callable[[], Database], say: Callable[[str], None], wait: Callable[[float], None]
) -> Database | None:
    """Return the database once it lets itself be opened; None: it never did, which is said.

    Args:
        open_it: opens it, and raises StorageError where it is locked.
        say: takes a line.
        wait: waits so many seconds.

    """
    found: list[Database] = []
    what = "Opening the record to write the demo's older days"
    patience = Patience(lambda said: say(f"waits: {said}"), wait)
    if not patience.has_done(what, lambda: found.append(open_it())):
        say(f"{ENDED}{what} was refused; starting the demo again does it.")
        return None
    return found[0]


def fill(database: Database, say: Callable[[str], None], wait: Callable[[float], None]) -> bool:
    """Write what is missing of the demo's past; return whether all of it is there.

    Args:
        database: with a demo that was begun.
        say: takes a line.
        wait: waits so many seconds, where the database refuses.

    """
    days = demonstration.pieces(database)
    done = 0

    def tell(said: str) -> None:
        say(f"{done} of {len(days)}" + (f": {said}" if said else ""))

    patience = Patience(tell, wait)
    for done in demonstration.fill(database, days, patience):  # noqa: B007, told by `tell`
        tell("")
    if left := demonstration.pieces(database):
        say(ENDED + missing_words(left))
        return False
    return _keep_what_was_said(database, patience, say)


def missing_words(left: Sequence[Piece]) -> str:
    """Return in a sentence which days are missing; there is at least one."""
    names = [day_words(one) for one in sorted(left, key=lambda one: one.from_ms)]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    days = "1 day" if len(names) == 1 else f"{len(names)} days"
    return (
        f"The demo's past lacks {days} ({', '.join(names[:_NAMED])}{more}), because the database"
        " refused to take them time and again. They are written when the demo is started again;"
        " until then its months and trends have a gap there."
    )


def _keep_what_was_said(database: Database, patience: Patience, say: Callable[[str], None]) -> bool:
    """Keep the rounds and findings of the last days, which the days before had to be there for."""
    shown = demonstration.scene(database)
    works = {
        "Keeping the rounds of the last days": partial(keep_rounds, database, shown),
        "Keeping the findings of the last days": partial(keep_findings, database, shown),
    }
    for what, work in works.items():
        if not patience.has_done(what, partial(_run, work)):
            say(f"{ENDED}{what} was refused by the database; starting the demo again does it.")
            return False
    return True


def _run(work: Callable[[], Iterable[int]]) -> None:
    for _ in work():
        pass
