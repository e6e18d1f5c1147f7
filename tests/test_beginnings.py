"""Since when a point is as it is: found once, and looked for again where it was not."""

from tests.routes.conftest import NOW_MS, World, words, world

from tallymast.beginnings import AGAIN_MS, Beginnings
from tallymast.domain.model import Outcome

MINUTE = 60_000
__all__ = ["world"]


def polls(world: World, level: int, minutes: range) -> None:
    body = words(level, 1287, 0)
    at = [(NOW_MS - n * MINUTE, Outcome.FIRST_TRY, body) for n in reversed(minutes)]
    world.polls("quill-tank", at)


def test_a_beginning_that_older_days_bring_is_found_later(world: World) -> None:
    polls(world, 3_580, range(0, 30))  # NE 43: 3.6 mA and less is a failed loop
    looks = Beginnings(world.database, world.live, lambda: world.view)
    looks.look(NOW_MS)
    (known,) = looks.known.values()
    assert known.at_ms is None
    newest = world.states.copy()
    polls(world, 12_000, range(30, 60))  # the half hour before is written only now
    world.live.publish_sites(newest.values())
    looks.look(NOW_MS + MINUTE)
    assert next(iter(looks.known.values())).at_ms is None
    looks.look(NOW_MS + AGAIN_MS)
    (known,) = looks.known.values()
    assert (known.at_ms, known.last_ms) == (NOW_MS - 29 * MINUTE, NOW_MS - 30 * MINUTE)
    assert known.last == 2.5  # 12 mA is the middle of 0 to 5 m
