"""Where the secret of a webhook lies, as its page says it: never the secret itself."""

from dataclasses import dataclass

from sqlalchemy import Connection

from tallymast.domain.telling.model import Contact
from tallymast.domain.telling.secrets import variable_of
from tallymast.domain.telling.settings import SECRET_SHORTEST
from tallymast.storage import contacts, telling_settings


@dataclass(frozen=True, slots=True)
class SecretView:
    """Where a webhook's secret lies.

    Attributes:
        variable: that may hold it; empty: the contact's name gives none.
        is_in_environment: whether it was set when the process that sends was started.
        is_short: it was, and is too short to be used.
        started_ms: when that process was started; None: none was yet.
        is_stored: whether the database holds one.
        since_ms: since when; None: longer than that is written down.
        shortest: so many characters it has to have.

    """

    variable: str
    is_in_environment: bool
    is_short: bool
    started_ms: int | None
    is_stored: bool
    since_ms: int | None
    shortest: int = SECRET_SHORTEST


def secret_view(connection: Connection, contact: Contact) -> SecretView:
    """Return where a contact's secret lies."""
    known, variable = telling_settings.environment(connection), variable_of(contact.name)
    return SecretView(
        variable,
        variable in known.names,
        variable in known.short,
        known.at_ms,
        bool(contact.secret),
        contacts.secrets_since(connection).get(contact.id),
    )
