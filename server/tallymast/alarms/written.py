"""What people wrote of alarms, by the alarm's key, as it is in force."""

from collections.abc import Mapping

from tallymast.alarms.followed import Followed
from tallymast.domain.alarms.rationalised import Written
from tallymast.storage import rationalised
from tallymast.storage.engine import Database


class WrittenWords(Followed[Mapping[str, Written]]):
    """Knows the words in force, by the alarm's key.

    Args:
        database: where they are kept.

    """

    def __init__(self, database: Database) -> None:
        super().__init__(database, rationalised.in_force, {}, "words of alarms are")
