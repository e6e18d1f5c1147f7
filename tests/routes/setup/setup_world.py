"""The small world with somebody at the setup pages, and ways to see what became of it."""

from dataclasses import dataclass
from html.parser import HTMLParser
from typing import Any

from httpx2 import Response
from starlette.testclient import TestClient
from tests.routes.conftest import World

from tallymast.domain import network_file
from tallymast.routes.services import NetworkView
from tallymast.storage import audit, network
from tallymast.storage.audit import Entry, Wanted


class _Inputs(HTMLParser):
    """Collects what a form's inputs hold, as a browser would send it."""

    def __init__(self) -> None:
        super().__init__()
        self.found: dict[str, str] = {}
        self._select = ""
        self._text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = dict(attrs)
        name = given.get("name") or ""
        if tag == "input" and given.get("type") != "checkbox":
            self.found[name] = given.get("value") or ""
        elif tag == "select":
            self._select, self.found[name] = name, ""
        elif tag == "option" and "selected" in given:
            self.found[self._select] = given.get("value") or ""
        elif tag == "textarea":
            self._text, self.found[name] = name, ""

    def handle_data(self, data: str) -> None:
        if self._text:
            self.found[self._text] += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "textarea":
            self.found[self._text] = self.found[self._text].removeprefix("\n")
            self._text = ""


def inputs(page: Response) -> dict[str, str]:
    """What the page's inputs hold."""
    parser = _Inputs()
    parser.feed(page.text)
    return parser.found


@dataclass
class Setup:
    """Somebody at the setup pages of the small world."""

    world: World
    client: TestClient

    def written(self) -> dict[str, Any]:
        with self.world.database.reading() as conn:
            return network.load_written(conn)

    def one(self, table: str, key: str) -> dict[str, Any]:
        return next(one for one in self.written()[table] if one["key"] == key)

    def open(self, path: str) -> dict[str, str]:
        page = self.client.get(path)
        assert page.status_code == 200, page.text
        return inputs(page)

    def send(self, path: str, fields: dict[str, str], **typed: str) -> Response:
        """Send a form as it was opened, with some of its inputs typed over."""
        names = {name.replace("__", "."): text for name, text in typed.items()}
        return self.client.post(path, data={**fields, **names}, follow_redirects=False)

    def store(self, path: str, **typed: str) -> Response:
        """Open a form, type, look at what it changes, and make the change."""
        looked = self.send(path, self.open(path), **typed)
        assert looked.status_code == 200, looked.text
        return self.go_on(path, looked)

    def go_on(self, path: str, looked: Response) -> Response:
        """Press the button of the page that shows what a change does."""
        stored = self.send(path, inputs(looked), step="store")
        assert stored.status_code == 303, stored.text
        self.refresh()
        return stored

    def refresh(self) -> None:
        """Let the pages know what is stored, as the running server does within half a second."""
        with self.world.database.reading() as conn:
            whole = network_file.build(network.load_written(conn), "")
            self.world.view = NetworkView(whole, network.load_plan(conn, whole))

    def told(self, action: str) -> list[Entry]:
        with self.world.database.reading() as conn:
            return audit.search(conn, Wanted(action=action), 100)
