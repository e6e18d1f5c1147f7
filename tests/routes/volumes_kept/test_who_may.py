"""Who may write what for volumes, and that closing a month asks for the password again."""

import pytest
from tests.routes.conftest import client, world
from tests.routes.people.conftest import Guarded, guarded, kept, populate

from tallymast.domain.people import LEAST, Role
from tallymast.routes.rights import NEEDS

__all__ = ["client", "guarded", "kept", "populate", "world"]
KEPT = "/volumes/{key}/{tag}/kept"


@pytest.mark.parametrize(
    ("path", "role"),
    [
        (f"{KEPT}/index", Role.OPERATOR),
        (f"{KEPT}/adjustments", Role.OPERATOR),
        (f"{KEPT}/adjustments/{{number}}/back", Role.OPERATOR),
        (f"{KEPT}/factors", Role.TECHNICIAN),
        (f"{KEPT}/factors/take-out", Role.TECHNICIAN),
        ("/volumes/permits", Role.TECHNICIAN),
        ("/volumes/balances", Role.TECHNICIAN),
        ("/volumes/close", Role.SUPERVISOR),
    ],
)
def test_the_more_rests_on_it_the_more_a_person_is_trusted_with(path: str, role: Role) -> None:
    right = NEEDS["POST", path]
    assert right is not None
    assert LEAST[right] is role


def test_closing_a_month_asks_for_a_password_that_was_given_long_ago(guarded: Guarded) -> None:
    late = guarded.as_(Role.SUPERVISOR, ago_ms=20 * 60_000)
    asked = late.post(
        "/volumes/close", data={"month": "2026-02", "shown": "x", "note": "as billed"}
    )
    assert "Your password again" in asked.text
    assert 'name="note" value="as billed"' in asked.text  # what was typed goes along and on
    lately = guarded.as_(Role.SUPERVISOR).post("/volumes/close", data={"month": "2026-02"})
    assert "Nothing of this month is to be closed" in lately.text
