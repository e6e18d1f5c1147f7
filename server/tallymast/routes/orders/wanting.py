"""What a person wants of an output, as forms and addresses carry it."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Final
from urllib.parse import urlencode

from fastapi import Query

from tallymast.domain.model import Point, SitePlan
from tallymast.domain.orders.model import OrderKind, Wanted
from tallymast.domain.orders.rules import wrong
from tallymast.routes.api.finding import the_point
from tallymast.routes.life.typed import read_number
from tallymast.routes.orders.order_words import OUTPUTS
from tallymast.routes.problems import Problem
from tallymast.storage.changes import canonical

SOURCES: Final = ("page", "check-out")
UNITS: Final = {"min": 60.0, "s": 1.0}  # of an on-time as it is typed


@dataclass(frozen=True, slots=True)
class Carried:
    """What goes along from page to page: what is wanted, the poll that was asked, from where."""

    wanted: Wanted
    job: int
    source: str

    @property
    def query(self) -> str:
        """The same as an address carries it."""
        wanted = self.wanted
        fields: dict[str, object] = {"kind": wanted.kind.value}
        if wanted.want is not None:
            fields["want"] = repr(wanted.want)
        if wanted.duration_s is not None:
            fields["duration_s"] = repr(wanted.duration_s)
        return urlencode({**fields, "job": self.job, "source": self.source})


def the_output(plan: SitePlan, tag: str) -> Point:
    """Return an output of a site.

    Raises:
        Problem: no such point, or it is not written to.

    """
    point = the_point(plan, tag)
    if point.kind not in OUTPUTS or point.write is None:
        raise Problem(404, f"{point.name} ({tag}) of {plan.site.name} is no output.")
    return point


def read_wanted(point: Point, typed: Mapping[str, str]) -> Wanted | str:
    """Return what a form asks of an output, or a sentence what is wrong with it."""
    kind = typed.get("kind", "")
    if kind not in set(OrderKind):
        return "Press one of the buttons: nothing was chosen."
    mistakes: dict[str, str] = {}
    wanted = _wanted(OrderKind(kind), point, typed, mistakes)
    if mistakes:
        return " ".join(mistakes.values())
    return wrong(point, wanted) or wanted


def _wanted(
    kind: OrderKind, point: Point, typed: Mapping[str, str], mistakes: dict[str, str]
) -> Wanted:
    if kind is OrderKind.PULSE:
        amount = read_number(typed.get("on_for", ""), "On-time", mistakes, "on_for")
        unit = UNITS.get(typed.get("unit", ""), 1.0)
        if amount is None:
            mistakes.setdefault("on_for", "Say for how long it is to be on.")
        return Wanted(kind, None, None if amount is None else amount * unit)
    if kind is OrderKind.SETPOINT:
        value = read_number(typed.get("want", ""), point.name, mistakes, "want")
        if value is None:
            mistakes.setdefault("want", f"Say to what {point.name} is to be set.")
        return Wanted(kind, value)
    return Wanted(kind, float(kind is OrderKind.ON))


def carried(
    kind: Annotated[OrderKind, Query()],
    job: Annotated[int, Query(ge=1, lt=2**63)],
    want: Annotated[float | None, Query(allow_inf_nan=False)] = None,
    duration_s: Annotated[float | None, Query(gt=0, allow_inf_nan=False)] = None,
    source: Annotated[str, Query(max_length=20)] = "page",
) -> Carried:
    """Return what an address carries."""
    return Carried(Wanted(kind, want, duration_s), job, source if source in SOURCES else "page")


def subject_of(plan: SitePlan, point_id: int, asked: Carried) -> str:
    """Return what a token orders, in full; the same page gives the same."""
    wanted = asked.wanted
    return canonical(
        {
            "site": plan.site_id,
            "point": point_id,
            "kind": wanted.kind.value,
            "want": wanted.want,
            "duration_s": wanted.duration_s,
            "job": asked.job,
            "source": asked.source,
        }
    )
