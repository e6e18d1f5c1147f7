"""Renders templates: the environment, what every page gets, and the answer it becomes."""

from collections.abc import Iterable, Mapping
from functools import cache
from typing import Annotated

from fastapi import Depends, Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, FileSystemLoader, StrictUndefined
from markupsafe import Markup

from tallymast import assets
from tallymast.domain.zones import find_zone
from tallymast.routes.alarm_count import waiting
from tallymast.routes.formats import FILTERS, Clock
from tallymast.routes.services import Given, Services
from tallymast.routes.static import address
from tallymast.routes.system import system_lines


@cache
def environment() -> Environment:
    """Return the templates' environment; an undefined name is an error, not an empty place."""
    templates = Environment(
        loader=FileSystemLoader(assets.web() / "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        auto_reload=False,  # a page of 64 rows would look at files 70 times
        cache_size=-1,
    )
    templates.filters.update(FILTERS)
    templates.globals["asset"] = address
    return templates


def prepare(templates: Iterable[str]) -> None:
    """Compile templates before somebody waits for them."""
    for name in templates:
        environment().get_template(name)


class Screens:
    """Turns a template and what it shows into an answer."""

    def __init__(self, given: Services) -> None:
        self._given = given

    def clock(self) -> Clock:
        """Return the clock of the page that is being made."""
        return Clock(find_zone(self._given.network().time_zone), self._given.now_ms())

    def fragment(self, template: str, context: Mapping[str, object]) -> Markup:
        """Return one rendered fragment."""
        return Markup(environment().get_template(template).render(context))

    def page(
        self, request: Request, template: str, context: Mapping[str, object], status: int = 200
    ) -> HTMLResponse:
        """Return a whole page."""
        everywhere = {
            "path": request.url.path,
            "title": self._given.network().title,
            "version": self._given.version,
            "clock": self.clock(),
            "person": getattr(request.state, "person", None),
            "system": system_lines(self._given),
            "notice": self._given.notice(),
            "waiting": waiting(self._given.alarms()),
        }
        html = environment().get_template(template).render({**everywhere, **context})
        return HTMLResponse(html, status)


def screens(given: Given) -> Screens:
    """Return what renders for this request."""
    return Screens(given)


Show = Annotated[Screens, Depends(screens)]
