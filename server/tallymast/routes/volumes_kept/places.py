"""Which counting point is meant, what people call it, and the numbers people typed about it."""

import re
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from itertools import chain
from typing import Annotated, Final

from fastapi import Depends, Request
from sqlalchemy import Connection

from tallymast.domain.model import PointKind
from tallymast.domain.people import plain
from tallymast.domain.totals.units import exact
from tallymast.routes.life.typed import LONGEST
from tallymast.routes.problems import Problem
from tallymast.routes.services import NetworkView, Services
from tallymast.storage.volume_hours import Counted
from tallymast.storage.volume_keeping import counted_of_many, counted_points

_MOST_FIELDS: Final = 600  # a permit may name every meter of a large network
_TABLE_LONGEST: Final = 4000
_NUMBER: Final = re.compile(r"-?[0-9]{1,12}(\.[0-9]{1,12})?")


@dataclass(frozen=True, slots=True)
class Chosen:
    """What was typed into a form in which one name may stand several times."""

    typed: Mapping[str, str] = field(default_factory=dict)
    lists: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    tables: Mapping[str, str] = field(default_factory=dict)

    def numbers(self, name: str) -> tuple[int, ...]:
        """Return the whole numbers chosen under a name, each once."""
        some = (one for one in self.lists.get(name, ()) if one.isdecimal() and len(one) < 16)
        return tuple(dict.fromkeys(int(one) for one in some))


async def chosen(request: Request) -> Chosen:
    """Return the fields of a form; those whose name begins with ``table`` keep their lines."""
    form = await request.form(max_files=0, max_fields=_MOST_FIELDS)
    lists: dict[str, tuple[str, ...]] = {}
    for name, value in form.multi_items():
        if isinstance(value, str):
            lists[name] = (*lists.get(name, ()), plain(value, LONGEST))
    tables = {
        name: value[:_TABLE_LONGEST]
        for name, value in form.multi_items()
        if isinstance(value, str) and name.startswith("table")
    }
    return Chosen({name: some[-1] for name, some in lists.items()}, lists, tables)


TheChosen = Annotated[Chosen, Depends(chosen)]


def every_point(conn: Connection, view: NetworkView) -> Iterator[Counted]:
    """Yield every totalizer of the sites in use, site by site."""
    for one in _counted(conn, view):
        if one.point.kind is PointKind.TOTALIZER and view.site(one.plan.site.key) is not None:
            yield one


def points_of(conn: Connection, view: NetworkView, numbers: Collection[int]) -> dict[int, Counted]:
    """Return counting points by number, those of retired sites too."""
    some = _counted(conn, view) if numbers else ()
    return {one.point_id: one for one in some if one.point_id in numbers}


def _counted(conn: Connection, view: NetworkView) -> Iterator[Counted]:
    plans = [(one.gateway, plan) for one in view.gateways_with_retired() for plan in one.sites]
    return chain.from_iterable(counted_of_many(conn, plans))


def the_point(conn: Connection, given: Services, key: str, tag: str) -> Counted:
    """Return a site's counting point.

    Raises:
        Problem: there is no such site, or it counts nothing under this tag.

    """
    view = given.network()
    plan = view.site_or_retired(key)
    if plan is None:
        raise Problem(404, f"There is no site {key}.")
    found = counted_points(conn, view.gateway_of(plan.site_id).gateway, plan)
    point = next((one for one in found if one.point.tag == tag), None)
    if point is None:
        raise Problem(404, f"{plan.site.name} has no point {tag} that counts.")
    return point


def called(one: Counted) -> str:
    """Return what people call a point: ``Gannet Turnout, Total 1``."""
    return f"{one.plan.site.name}, {one.point.name}"


def page_of(one: Counted) -> str:
    """Return the address of what people keep for a point."""
    return f"/volumes/{one.plan.site.key}/{one.point.tag}/kept"


def read_exact(text: str, label: str, wrong: dict[str, str], key: str) -> Fraction | None:
    """Return a number exactly as typed; None, told in ``wrong``, where it is none."""
    written = text.replace("\u202f", "").replace(" ", "").replace(",", ".")
    written = written.replace("\u2212", "-")
    if not written:
        wrong[key] = f"{label}: type a number."
        return None
    if not _NUMBER.fullmatch(written):
        wrong[key] = f"{label}: {text} is not a number of at most 12 digits on either side."
        return None
    return exact(written)
