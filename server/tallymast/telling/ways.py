"""Knows every way of telling, and by which each contact is told."""

import ssl
from collections.abc import Callable, Mapping
from typing import Final

import httpx

from tallymast.domain.telling.model import TryOutcome, Way
from tallymast.domain.telling.secrets import secret_of, wrong_with_secret
from tallymast.domain.telling.sending import NotHanded, Outgoing
from tallymast.domain.telling.settings import MailServer
from tallymast.telling.mail import TIMEOUT_S as MAIL_S
from tallymast.telling.mail import send_mail
from tallymast.telling.webhook import TIMEOUT_S as WEBHOOK_S
from tallymast.telling.webhook import send_webhook

_NO_PASSWORD: Final = (
    "The mail server's user {user} needs a password: start polling with "
    "TALLYMAST_SMTP_PASSWORD set."
)


class Ways:
    """Mail and webhooks; used in one event loop, and closed in it.

    Args:
        server: the mail server as it is set up now.
        password: of its user.
        secrets: of webhooks, by variable, from the environment; they come before the stored ones.
        trusted: whose certificates are believed; None: those this machine believes.
        mail_s: after how long a mail server is as good as dead [s].
        webhook_s: after how long a receiver is [s].

    """

    def __init__(
        self,
        server: Callable[[], MailServer | None],
        password: str = "",
        secrets: Mapping[str, str] | None = None,
        *,
        trusted: ssl.SSLContext | None = None,
        mail_s: float = MAIL_S,
        webhook_s: float = WEBHOOK_S,
    ) -> None:
        self._server = server
        self._password = password
        self._secrets = secrets or {}
        self._trusted = trusted
        self._mail_s, self._webhook_s = mail_s, webhook_s
        self._client: httpx.AsyncClient | None = None

    async def send(self, outgoing: Outgoing) -> str:
        """Hand a message over by its contact's way; return what the other end said.

        Raises:
            NotHanded: it could not be handed over.

        """
        if outgoing.contact.way is Way.WEBHOOK:
            return await self._webhook(outgoing)
        server = self._server()
        if server is None:
            raise NotHanded("No mail server is set up, so no mail is sent.", TryOutcome.FAILED)
        if server.user and not self._password:
            raise NotHanded(_NO_PASSWORD.format(user=server.user), TryOutcome.FAILED)
        return await send_mail(
            server, self._password, outgoing, timeout_s=self._mail_s, trusted=self._trusted
        )

    async def close(self) -> None:
        """Close what is open."""
        if self._client is not None:
            await self._client.aclose()
            self._client = None

    async def _webhook(self, outgoing: Outgoing) -> str:
        secret = secret_of(outgoing.contact, self._secrets)
        if wrong := wrong_with_secret(outgoing.contact, secret):
            raise NotHanded(wrong, TryOutcome.FAILED)
        if self._client is None:  # reads no proxy from the environment: what is signed goes direct
            self._client = httpx.AsyncClient(
                verify=self._trusted or True, follow_redirects=False, trust_env=False
            )
        return await send_webhook(self._client, outgoing, secret, timeout_s=self._webhook_s)
