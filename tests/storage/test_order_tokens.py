"""A confirm page's token works once, and only the newest of its page."""

import pytest
from tests.dialects import both_dialects

from tallymast.domain.people import Role
from tallymast.storage import order_tokens, people
from tallymast.storage.engine import Database

NOW = 1_772_964_000_000
SUBJECT = "booster START on 1.0 by poll 1772963990000"


@both_dialects
@pytest.mark.parametrize("is_named", [True, False], ids=["of an account", "of nobody"])
def test_a_token_works_once_and_a_newer_page_ends_it(database: Database, is_named: bool) -> None:
    with database.writing() as conn:
        who = people.add_account(conn, "r.hale", Role.OPERATOR, at_ms=NOW).id if is_named else None
        other = people.add_account(conn, "m.voss", Role.OPERATOR, at_ms=NOW).id

        def give(account_id: int | None, subject: str = SUBJECT, at_ms: int = NOW) -> str:
            ends_ms = at_ms + 60_000
            return order_tokens.give(
                conn, subject, account_id=account_id, at_ms=at_ms, ends_ms=ends_ms
            )

        beside, off = give(other), give(who, SUBJECT.replace("on", "off"))
        old, new = give(who), give(who)
        assert order_tokens.token(conn, old) is None
        assert not order_tokens.use(conn, old, NOW + 1)
        assert order_tokens.used(conn, SUBJECT, who) is None
        assert not order_tokens.use(conn, new, NOW + 60_000)  # too late
        assert [order_tokens.use(conn, new, NOW + at) for at in (1, 2)] == [True, False]
        known = order_tokens.token(conn, new)
        assert known is not None
        assert order_tokens.used(conn, SUBJECT, who) == known.hash
        assert (known.subject, known.account_id, known.used_ms) == (SUBJECT, who, NOW + 1)
        assert order_tokens.use(conn, beside, NOW + 1)
        assert order_tokens.use(conn, off, NOW + 1)
        give(other, at_ms=NOW + 2 * 86_400_000)  # a day after their end they are forgotten
        assert order_tokens.token(conn, new) is None
