"""Hands a message to the mail server: one recipient a message, protected, and never for long."""

import asyncio
import ssl
from contextlib import suppress
from datetime import UTC, datetime
from email.headerregistry import Address
from email.message import EmailMessage
from email.policy import SMTP as SMTP_POLICY
from typing import Final

import aiosmtplib

from tallymast.domain.model import Priority
from tallymast.domain.people import plain
from tallymast.domain.telling.model import TryOutcome
from tallymast.domain.telling.sending import SAID_LONGEST, NotHanded, Outgoing
from tallymast.domain.telling.settings import MailServer, Security

TIMEOUT_S: Final = 20.0  # ours: a server that takes longer is as good as dead for an alarm
_GOODBYE_S: Final = 2.0
_NAME: Final = "Tallymast"


async def send_mail(
    server: MailServer,
    password: str,
    outgoing: Outgoing,
    *,
    timeout_s: float = TIMEOUT_S,
    trusted: ssl.SSLContext | None = None,
) -> str:
    """Hand one message over and return what the server said.

    Args:
        server: where to.
        password: of its user; empty where nobody signs in.
        outgoing: what.
        timeout_s: after so long it failed, all in all [s].
        trusted: whose certificates are believed; None: those this machine believes.

    Raises:
        NotHanded: the server cannot be reached, is not who it should be, or refused; final where
            it refused this recipient for good (RFC 5321 §4.2.1, 5yz).

    """
    client = aiosmtplib.SMTP(
        hostname=server.host,
        port=server.port,
        use_tls=server.security is Security.TLS,
        start_tls=server.security is Security.STARTTLS,  # never quietly without
        tls_context=trusted,
        username=server.user or None,
        password=password or None,
        timeout=timeout_s,
    )
    try:
        async with asyncio.timeout(timeout_s):
            await client.connect()
            _, said = await client.send_message(mail_of(server, outgoing))
    except (aiosmtplib.SMTPException, TimeoutError, OSError, ValueError) as error:
        client.close()
        raise _why(server, error) from error
    except asyncio.CancelledError:
        client.close()
        raise
    with suppress(aiosmtplib.SMTPException, OSError):  # it has the message, whatever comes now
        await client.quit(timeout=_GOODBYE_S)
    client.close()
    return plain(said, SAID_LONGEST)


def mail_of(server: MailServer, outgoing: Outgoing) -> EmailMessage:
    """Return a message as mail.

    It has a name of its own that stays the same from try to try (RFC 5322 §3.6.4), and says that
    no person wrote it, so that nobody's out-of-office note answers (RFC 3834 §5).

    Raises:
        ValueError: an address that cannot stand in a header.

    """
    message, contact = outgoing.message, outgoing.contact
    domain = server.sender.rpartition("@")[2]
    mail = EmailMessage(policy=SMTP_POLICY)
    mail["From"] = Address(_NAME, addr_spec=server.sender)
    mail["To"] = Address(plain(contact.name, 60), addr_spec=contact.address)
    mail["Subject"] = plain(message.subject, 200)
    mail["Date"] = datetime.fromtimestamp(outgoing.now_ms // 1000, UTC)
    mail["Message-ID"] = f"<message-{message.id}.{message.made_ms}@{domain}>"
    mail["Auto-Submitted"] = "auto-generated"
    if message.priority is Priority.URGENT:
        mail["Importance"] = "high"  # RFC 4021 §2.1.54 (from memory)
    mail.set_content(outgoing.body)
    return mail


def _why(server: MailServer, error: Exception) -> NotHanded:
    """Say why it was not handed over; the server's own words stand in it."""
    where = f"The mail server {server.host}"
    if isinstance(error, aiosmtplib.SMTPRecipientsRefused):
        one = error.recipients[0]
        said = f"{where} refused {one.recipient}: {one.code} {one.message}"
        is_final = one.code >= 500
        return NotHanded(plain(said, SAID_LONGEST), TryOutcome.REFUSED, is_final=is_final)
    if isinstance(error, aiosmtplib.SMTPResponseException):
        is_sign_in = isinstance(error, aiosmtplib.SMTPAuthenticationError)
        what = " the user or the password" if is_sign_in else ""
        said = f"{where} refused{what}: {error.code} {error.message}"
        return NotHanded(plain(said, SAID_LONGEST), TryOutcome.REFUSED)
    return NotHanded(plain(f"{where} {_failing(error)}", SAID_LONGEST), TryOutcome.FAILED)


def _failing(error: Exception) -> str:
    if isinstance(error, TimeoutError):
        return "did not answer in time."
    if isinstance(error, ssl.SSLError) or "CERTIFICATE" in str(error):
        return f"could not show that it is who it should be: {error}"
    if isinstance(error, aiosmtplib.SMTPNotSupported):
        return f"does not offer what is set up: {error}"
    return f"could not be used: {error}"
