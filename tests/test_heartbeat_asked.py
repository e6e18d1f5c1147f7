"""A sign of life that somebody asks for is sent at the next look, as it is set up by then."""

from unittest.mock import patch

from tests.routes.conftest import NOW_MS, World, world

from tallymast.domain.heartbeat import Heartbeat
from tallymast.heartbeat import Heart
from tallymast.storage import heartbeat as stored

__all__ = ["world"]


class Alive:
    """A body that lives, on a clock that stands."""

    def now_ms(self) -> int:
        return NOW_MS

    def ails(self) -> str:
        return ""


def test_one_asked_for_is_sent_though_none_is_due(world: World) -> None:
    with world.database.writing() as conn:
        stored.save(conn, Heartbeat("https://watch.example/a", 5))
    heart = Heart(world.database, Alive(), "0.0-test")  # type: ignore[arg-type]
    sent: list[str] = []
    with patch("tallymast.heartbeat.Heart._send", lambda one: sent.append(one._beat.url) or ""):
        heart.step()
        heart.step()
        assert sent == ["https://watch.example/a"]
        with world.database.writing() as conn:
            stored.save(conn, Heartbeat("https://watch.example/b", 5))
        heart.hurry()
        heart.step()
        heart.step()
    assert sent == ["https://watch.example/a", "https://watch.example/b"]
