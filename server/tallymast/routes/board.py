"""Keeps the fragments of a live page, each rendered once per change for all its tabs.

A fragment is rendered again only when what it shows has changed (its model, compared by
value), never because an age has grown: ages go on in the browser, and are written anew where
a page is made of kept fragments.
"""

from collections.abc import Callable
from dataclasses import dataclass
from threading import RLock

from markupsafe import Markup

from tallymast.routes.ages import Aged


@dataclass(frozen=True, slots=True)
class Kept:
    """One fragment: what it shows, the version it changed at, its markup."""

    model: object
    version: int
    html: Markup
    aged: Aged


class Board:
    """Fragments by the id of the element they fill."""

    def __init__(self) -> None:
        self.lock = RLock()
        self.version = 0
        self._kept: dict[str, Kept] = {}

    def put(self, name: str, model: object, render: Callable[[], Markup]) -> None:
        """Show ``model`` in the element called ``name``; render only what is new."""
        with self.lock:
            kept = self._kept.get(name)
            if kept is None or kept.model != model:
                self.version += 1
                html = render()
                self._kept[name] = Kept(model, self.version, html, Aged(html))

    def shown(self, name: str, now_ms: int) -> Markup:
        """Return the markup of a fragment, its ages as of ``now_ms``.

        Raises:
            KeyError: no fragment of this name was put.

        """
        with self.lock:
            return self._kept[name].aged.at(now_ms)

    def drop(self, names: set[str]) -> None:
        """Forget fragments whose elements are no longer on the page."""
        with self.lock:
            for name in names:
                self._kept.pop(name, None)

    def names(self) -> set[str]:
        """Return the ids of all fragments."""
        with self.lock:
            return set(self._kept)

    def since(self, version: int) -> tuple[int, Markup]:
        """Return the newest version and the message that brings a tab there; empty if it is."""
        with self.lock:
            newer = [(name, k.html) for name, k in self._kept.items() if k.version > version]
            return self.version, Markup("").join(
                Markup('<hx-partial hx-target="#{}" hx-swap="outerMorph">{}</hx-partial>').format(
                    name, html
                )
                for name, html in newer
            )
