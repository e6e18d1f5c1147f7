"""The one writing connection of a SQLite file, held open: a transaction a turn.

SQLAlchemy's own way of beginning and ending a transaction (pool, events, reset) costs more
CPU than storing a second's polls does. Here the connection is asked for once, in autocommit
mode, and the transaction is begun and ended on the driver's connection beneath it.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from sqlalchemy import Connection, Engine
from sqlalchemy.exc import TimeoutError

_WAIT_S = 30.0  # longer than any transaction of ours; waiting longer means it is held in vain


class Pen:
    """Gives the writing connection to one thread at a time.

    Args:
        engine: of the file, with one connection and no events of its own.

    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine.execution_options(isolation_level="AUTOCOMMIT")
        self._turn = Lock()
        self._held: tuple[Connection, sqlite3.Connection] | None = None

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give the connection inside a transaction that is stored when the block ends well.

        Raises:
            sqlite3.Error, SQLAlchemyError: it refused; nothing of the block is stored.
            TimeoutError: somebody else has been writing for half a minute.

        """
        if not self._turn.acquire(timeout=_WAIT_S):
            raise TimeoutError("the writing connection is not given back")
        try:
            connection, driver = self._taken()
            driver.execute("BEGIN IMMEDIATE")
            try:
                yield connection
                driver.execute("COMMIT")
            except BaseException:
                if driver.in_transaction:
                    driver.execute("ROLLBACK")
                raise
        finally:
            self._turn.release()

    def close(self) -> None:
        """Give the connection back."""
        with self._turn:
            if self._held is not None:
                self._held[0].close()
                self._held = None
            self._engine.dispose()

    def _taken(self) -> tuple[Connection, sqlite3.Connection]:
        if self._held is None:
            connection = self._engine.connect()
            driver = connection.connection.driver_connection
            assert isinstance(driver, sqlite3.Connection)
            self._held = (connection, driver)
        return self._held
