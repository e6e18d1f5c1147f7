"""Ends what nobody took in time where nobody polls: whoever asks for an order has it ended."""

from sqlalchemy import Connection

from tallymast.domain.orders.model import Order, OrderState
from tallymast.routes.services import Services
from tallymast.storage import orders


def end_late(given: Services, found: Order | None) -> Order | None:
    """Return an order as it is once its time is over; a poller that is away ends none."""
    now_ms = given.now_ms()
    if found is None or found.state is not OrderState.STORED or found.expires_ms > now_ms:
        return found
    with given.database.writing() as connection:
        return _ended(connection, found.id, now_ms)


def _ended(connection: Connection, number: int, now_ms: int) -> Order | None:
    orders.expire(connection, now_ms)
    return orders.order(connection, number)
