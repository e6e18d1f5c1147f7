"""What every page that changes the network shares: the network as written, and storing."""

from collections.abc import Callable

from anyio import from_thread
from fastapi import Request
from sqlalchemy import Connection

from tallymast.domain.audit import Act
from tallymast.domain.network_file import Written, differences
from tallymast.domain.setup.effects import effects
from tallymast.domain.setup.proposals import Proposal
from tallymast.routes.problems import Problem
from tallymast.routes.services import Services
from tallymast.routes.who import Person, ask_again, tell
from tallymast.storage import network
from tallymast.storage.changing import ChangedMeanwhile, change

SOURCES = {
    "form": "a form",
    "file": "a network file",
    "csv": "a table",
    "undo": "taking a change back",
}


def as_written(given: Services) -> tuple[int, Written]:
    """Return the number of the newest revision, and the network as people wrote it.

    Read from the database, not from the page's view: that may be half a second behind.
    """
    with given.database.reading() as connection:
        return network.revision(connection), network.load_written(connection)


def ask_where_outputs_drop(
    request: Request, given: Services, person: Person, before: Written, proposal: Proposal
) -> None:
    """Let nobody drop outputs by a change who has not given the password lately.

    To be called by a worker thread of the server, as plain routes are run.

    Raises:
        AgainFirst: it has to be given.
        Problem: a wrong one, or one for a script that has to do with a session.

    """
    if effects(before, proposal).outputs:
        from_thread.run(ask_again, request, given, person)


def store(
    given: Services,
    person: Person,
    proposal: Proposal,
    also: Callable[[Connection, int], None] = lambda *_: None,
) -> int:
    """Make a proposal the network, with its line in the audit; return the new revision.

    Args:
        given: what routes may use.
        person: who does it.
        proposal: the change.
        also: what is stored in the same transaction, told the new revision's number.

    Raises:
        Problem: somebody changed the network meanwhile.

    """
    try:
        with given.database.writing() as connection:
            before = network.load_written(connection)
            at_ms = given.now_ms()
            number = change(connection, proposal, actor=person.name, at_ms=at_ms)
            changes = differences(before, proposal.written)
            after = {
                "source": SOURCES.get(proposal.source, proposal.source),
                "n": len(changes),
                "changes": list(changes[:50]),
                "revision": number,
            }
            tell(connection, given, person, Act("network.change", "network", "network", {}, after))
            also(connection, number)
            return number
    except ChangedMeanwhile as changed:
        raise Problem(409, str(changed)) from changed
