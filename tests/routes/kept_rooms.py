"""Applications of one process share their routes, so that each need not work them out again.

FastAPI works out what every route takes, about 170 of them, at an application's first request:
longer than most tests take. Routes know nothing of the services they answer from (those are in
``app.state``), so the routes the first application made serve every later one as well.
"""

from typing import Any

from fastapi import APIRouter, FastAPI
from starlette.routing import BaseRoute

from tallymast.routes import app as program

_kept: dict[int, tuple[APIRouter, list[BaseRoute]]] = {}  # the router is held: ids come again


class KeptRooms(FastAPI):
    """Takes the routes of a router it has met before as they were made then."""

    def include_router(self, router: APIRouter, **options: Any) -> None:
        """Include a router as always the first time, by its kept routes from then on."""
        assert not options, "routes are kept for routers included plainly"
        if id(router) not in _kept:
            before = len(self.router.routes)
            super().include_router(router)
            _kept[id(router)] = (router, self.router.routes[before:])
        else:
            self.router.routes.extend(_kept[id(router)][1])


def keep_rooms() -> None:
    """Let every application from here on be made so."""
    program.FastAPI = KeptRooms  # type: ignore[misc]
