"""Which secret signs what is sent to a webhook: the environment's before the database's.

A secret in the environment of the process that sends is stored nowhere; the database keeps only
under which names one was set, so that every process can say so.
"""

import re
import unicodedata
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final

from tallymast.domain.telling.model import Contact, Way
from tallymast.domain.telling.settings import SECRET_SHORTEST

PREFIX: Final = "TALLYMAST_WEBHOOK_SECRET_"
_BETWEEN: Final = re.compile(r"[^A-Z0-9]+")


@dataclass(frozen=True, slots=True)
class Environment:
    """What the process that sends found in its environment when it was started.

    Attributes:
        at_ms: when; None: no process has sent from this database yet.
        names: the variables that hold a secret for a webhook.
        short: those of them whose secret is too short to be used.

    """

    at_ms: int | None = None
    names: frozenset[str] = frozenset()
    short: frozenset[str] = frozenset()


def variable_of(name: str) -> str:
    """Return the variable that holds a contact's secret: ``Pager desk`` has ``…_PAGER_DESK``.

    Letters lose their accents; empty: the name holds no letter from A to Z and no figure.
    """
    bare = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().upper()
    end = _BETWEEN.sub("_", bare).strip("_")
    return f"{PREFIX}{end}" if end else ""


def found(secrets: Mapping[str, str], at_ms: int) -> Environment:
    """Return what may be told of an environment's secrets; never one of them."""
    short = frozenset(name for name, one in secrets.items() if len(one) < SECRET_SHORTEST)
    return Environment(at_ms, frozenset(secrets), short)


def secret_of(contact: Contact, secrets: Mapping[str, str]) -> str:
    """Return the secret that signs what is sent to a webhook; empty: there is none."""
    return secrets.get(variable_of(contact.name), "") or contact.secret


def wrong_with_secret(contact: Contact, secret: str) -> str:
    """Return in a sentence why a webhook's secret signs nothing; empty: it does."""
    if not secret:
        return _none_for(contact)
    return _too_short_for(contact) if len(secret) < SECRET_SHORTEST else ""


def worries(contacts: Collection[Contact], known: Environment) -> tuple[str, ...]:
    """Return in sentences which webhooks nothing signs, and which variables are for nobody.

    Args:
        contacts: those in use.
        known: what the process that sends found.

    """
    hooks = [one for one in contacts if one.way is Way.WEBHOOK]
    said = []
    for one in hooks:
        variable = variable_of(one.name)
        if variable in known.short:
            said.append(_too_short_for(one))
        elif variable not in known.names and not one.secret:
            said.append(_none_for(one))
    stray = sorted(known.names - {variable_of(one.name) for one in hooks})
    said += [f"{name} is set, and no webhook has a name for it." for name in stray]
    return tuple(said)


def _none_for(contact: Contact) -> str:
    variable = variable_of(contact.name)
    here = f"set {variable} where polling is started, or " if variable else ""
    return (
        f"Nothing signs what is sent to {contact.name}, so nothing is sent: {here}make a new"
        " secret on the contact's page."
    )


def _too_short_for(contact: Contact) -> str:
    return (
        f"Nothing is sent to {contact.name}: the secret in {variable_of(contact.name)} needs at"
        f" least {SECRET_SHORTEST} characters. Start polling with a longer one."
    )
