"""How messages leave the house: the mail server, the address of the pages, the digest's hour.

The mail server's password is not among them: it comes from the environment
(``TALLYMAST_SMTP_PASSWORD``) and is stored nowhere.
"""

import ipaddress
import re
from dataclasses import dataclass
from enum import StrEnum
from typing import Final
from urllib.parse import SplitResult, urlsplit

from tallymast.domain.model import Priority
from tallymast.domain.telling.model import LEVELS, Contact, Way

DIGEST_HOUR: Final = 7  # ours: on the table when the day's work is given out
PORTS: Final = {"starttls": 587, "tls": 465, "none": 25}  # RFC 6409 §3.1; RFC 8314 §7.3; RFC 5321
_ADDRESS: Final = re.compile(r"[A-Za-z0-9.!#$%&'*+/=?^_`{|}~-]{1,64}@[A-Za-z0-9.-]{1,255}")
_HOST: Final = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.:-]{0,253}[A-Za-z0-9])?")
KEPT_DAYS: Final = 400  # ours: a year and a month, so that a month meets the same a year before
NAME_LONGEST: Final = 60
SECRET_SHORTEST: Final = 32  # ours: characters; RFC 2104 §3 wants as many bytes as the digest has


class Security(StrEnum):
    """How the connection to the mail server is protected."""

    STARTTLS = "starttls"  # begins in the clear and must change before anything else is said
    TLS = "tls"  # from the first byte
    NONE = "none"  # only for a server on this machine


@dataclass(frozen=True, slots=True)
class MailServer:
    """The server that takes mail from us.

    Attributes:
        host: its name; its certificate must be for it.
        port: its port.
        security: how the connection is protected.
        user: whom we sign in as; empty: nobody.
        sender: the address that mail comes from.

    """

    host: str
    port: int
    security: Security
    user: str
    sender: str


@dataclass(frozen=True, slots=True)
class Telling:
    """What is set up for telling.

    Attributes:
        server: the mail server; None: no mail leaves the house.
        public_url: under which address people reach the pages, without a slash at its end; empty:
            messages hold no links.
        digest_hour: the hour of the network's local day from which on digests of the day are
            written.

    """

    server: MailServer | None = None
    public_url: str = ""
    digest_hour: int = DIGEST_HOUR


def wrong_with_server(server: MailServer) -> tuple[str, ...]:
    """Return in sentences what is wrong with a mail server's settings; empty: nothing."""
    said = []
    if not _HOST.fullmatch(server.host) and _figures(server.host) is None:
        said.append("A mail server is named like mail.example.org or by its address in figures.")
    if not 1 <= server.port <= 65535:
        said.append(f"A port is a number from 1 to 65535; this is {server.port}.")
    if server.security is Security.NONE and not is_loopback(server.host):
        said.append(
            f"Mail to {server.host} would cross the network unprotected, names and addresses with"
            " it. Choose starttls or tls; none is for a mail server on this machine only."
        )
    if not _ADDRESS.fullmatch(server.sender):
        said.append("The sender is an address like tallymast@example.org.")
    if any(not one.isprintable() for one in server.user):
        said.append("The user's name holds characters that cannot be sent.")
    return tuple(said)


def wrong_with_telling(telling: Telling) -> tuple[str, ...]:
    """Return in sentences what is wrong with these settings; empty: nothing."""
    said = list(wrong_with_server(telling.server)) if telling.server else []
    if telling.public_url and not _is_base(telling.public_url):
        said.append(
            "The pages' address begins with https:// or http:// and names a host, such as"
            " https://tallymast.example.org."
        )
    if not 0 <= telling.digest_hour <= 23:
        said.append(f"The digest's hour is from 0 to 23; this is {telling.digest_hour}.")
    return tuple(said)


def wrong_with_contact(contact: Contact) -> tuple[str, ...]:
    """Return in sentences why a contact cannot be told anything; empty: it can."""
    said = []
    if not 1 <= len(contact.name) <= NAME_LONGEST or not contact.name.isprintable():
        said.append(f"A contact has a name of 1 to {NAME_LONGEST} characters on one line.")
    said.append(wrong_with_address(contact.way, contact.address))
    if contact.way is Way.WEBHOOK and 0 < len(contact.secret) < SECRET_SHORTEST:
        said.append(f"A webhook's secret has at least {SECRET_SHORTEST} characters.")
    if contact.level not in LEVELS:
        said.append("A contact's level is 1 (first), 2 (next) or 3 (supervisor).")
    if not contact.priorities and not contact.digest:
        said.append("This contact would never be told anything: choose a priority or the digest.")
    return tuple(one for one in said if one)


def wrong_with_address(way: Way, address: str) -> str:
    """Return in a sentence why nothing can be sent to an address; empty: it can."""
    if way is Way.MAIL:
        is_good = _ADDRESS.fullmatch(address) is not None
        return "" if is_good else "An address for mail is written like name@example.org."
    parts = _split(address)
    if parts is None or parts.scheme not in ("https", "http") or not parts.hostname:
        return "A webhook's address begins with https:// and names a host."
    if parts.username is not None or parts.password is not None or parts.fragment:
        return "A webhook's address holds no name, password or part after #; the secret signs it."
    if parts.scheme == "http" and not is_at_home(parts.hostname):
        return (
            f"What goes to {parts.hostname} would cross the network unprotected: use https://, or"
            " a loopback or private address in figures."
        )
    return ""


def is_loopback(host: str) -> bool:
    """Whether a host is this machine, by its name or its figures."""
    address = _figures(host)
    return host.lower() == "localhost" or (address is not None and address.is_loopback)


def is_at_home(host: str) -> bool:
    """Whether a host is this machine or at a private address in figures (RFC 1918, RFC 4193)."""
    address = _figures(host)
    return is_loopback(host) or (
        address is not None and address.is_private and not address.is_unspecified
    )


def gaps(contacts: tuple[Contact, ...], areas: tuple[str, ...]) -> tuple[str, ...]:
    """Return in sentences whom nobody would tell at once of an urgent alarm.

    Args:
        contacts: those in use.
        areas: every area of the network; sites without one concern every contact.

    """
    if not contacts:
        return ("Nobody is told of alarms: there is no contact yet.",)
    urgent = [one for one in contacts if Priority.URGENT in one.priorities]
    if not urgent:
        return (
            "Nobody has chosen to be told of urgent alarms at once, so all contacts of the area"
            " are told of them.",
        )
    alone = [area for area in areas if area and not any(_covers(one, area) for one in urgent)]
    if not alone:
        return ()
    return (
        f"Nobody has chosen to be told at once of urgent alarms in {', '.join(alone)}, so other"
        " contacts are told of them.",
    )


def _covers(contact: Contact, area: str) -> bool:
    return not contact.areas or area in contact.areas


def _is_base(url: str) -> bool:
    parts = _split(url)
    if parts is None or parts.scheme not in ("https", "http") or not parts.hostname:
        return False
    is_plain = url.isascii() and url.isprintable() and not set(url) & set(" <>\"'")
    return is_plain and not (parts.query or parts.fragment or parts.username is not None)


def _split(url: str) -> SplitResult | None:
    if not url.isascii() or not url.isprintable() or " " in url:
        return None
    try:
        parts = urlsplit(url)
        _ = parts.port  # a port that is no number is refused when it is asked for
    except ValueError:
        return None
    return parts


def _figures(host: str) -> ipaddress.IPv4Address | ipaddress.IPv6Address | None:
    try:
        return ipaddress.ip_address(host.strip("[]"))
    except ValueError:
        return None
