"""Finds what an address of the setup pages names, or says that it is not there."""

from tallymast.domain.grammar.mistakes import nearest
from tallymast.domain.network_file import Written
from tallymast.domain.setup.things import Thing, find
from tallymast.routes.problems import Problem


def the_body(written: Written, thing: Thing) -> Written:
    """Return what is written of a thing.

    Raises:
        Problem: 404, with the nearest there is.

    """
    found = find(written, thing)
    if found is not None:
        return found
    if thing.is_point:
        owner = the_body(written, thing.owner)
        known = [str(one.get("tag")) for one in owner.get("point", [])]
        raise Problem(404, _sentence("point", thing.tag, known))
    known = [str(one.get("key")) for one in written.get(thing.table, [])]
    raise Problem(404, _sentence(thing.table, thing.key, known))


def name_of(body: Written) -> str:
    """Return what people call a thing."""
    return str(body.get("name") or body.get("key") or body.get("tag") or "")


def copied(written: Written, table: str, key: str, without: frozenset[str]) -> Written:
    """Return what a new thing takes over of one that is there; nothing where there is no key."""
    if not key:
        return {}
    body = the_body(written, Thing(table, key))
    return {name: value for name, value in body.items() if name not in without}


def _sentence(what: str, key: str, known: list[str]) -> str:
    close = nearest(key, known)
    hint = f" The nearest is {close}." if close else ""
    return f"There is no {what} {key} in the network; perhaps it was removed meanwhile.{hint}"
