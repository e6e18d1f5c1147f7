"""Writers take turns: a transaction a turn, in each dialect.

SQLite has one writing connection a process, held open. SQLAlchemy's own way of beginning and
ending a transaction (pool, events, reset) costs more CPU than storing a second's polls does.
Here the connection is asked for once, in autocommit mode, and the transaction is begun and
ended on the driver's connection beneath it.

A PostgreSQL server would let two transactions decide by the same state and both write; what
reads, decides and writes here would then have to be proven against every other. There a lock
that ends with its transaction stands for SQLite's one writer.
"""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock

from sqlalchemy import Connection, Engine, text
from sqlalchemy.exc import TimeoutError

_WAIT_S = 30.0  # longer than any transaction of ours; waiting longer means it is held in vain

# Ours: any number beyond those of sites, which are locked by their own (chunks.py). Another
# program's turn is waited for as long as SQLite's busy_timeout says.
_TAKE_TURN = text(
    "SELECT set_config('lock_timeout', '5s', true), pg_advisory_xact_lock(2048080472)"
)


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


class ServerPen:
    """The same for a PostgreSQL server, where other programs take turns with this one.

    Args:
        engine: of the server. Whoever waits for a turn of this program holds no connection of it.

    """

    def __init__(self, engine: Engine) -> None:
        self._engine = engine
        self._turn = Lock()

    @contextmanager
    def writing(self) -> Iterator[Connection]:
        """Give a connection inside a transaction that is stored when the block ends well.

        Raises:
            SQLAlchemyError: it refused, or another program has been writing for 5 s; nothing of
                the block is stored.
            TimeoutError: somebody else here has been writing for half a minute.

        """
        if not self._turn.acquire(timeout=_WAIT_S):
            raise TimeoutError("the turn to write is not given back")
        try:
            with self._engine.begin() as connection:
                connection.execute(_TAKE_TURN)
                yield connection
        finally:
            self._turn.release()

    def close(self) -> None:
        """Nothing is held open."""
