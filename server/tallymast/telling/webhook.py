"""Hands a message to a receiver over HTTP: a POST of JSON, signed, never sent on elsewhere.

The body's digest (RFC 9530) and the request's signature (RFC 9421, hmac-sha256 with the secret of
the environment or of the contact) tell the receiver that it comes from here and was not changed;
``created`` that it is new.
"""

import asyncio
import base64
import hashlib
import hmac
import json
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Final

import httpx

from tallymast.domain.people import plain
from tallymast.domain.telling.model import TryOutcome
from tallymast.domain.telling.sending import SAID_LONGEST, NotHanded, Outgoing

TIMEOUT_S: Final = 10.0  # ours
CONTENT_TYPE: Final = "application/json"
_LABEL: Final = "tallymast"


async def send_webhook(
    client: httpx.AsyncClient, outgoing: Outgoing, secret: str, *, timeout_s: float = TIMEOUT_S
) -> str:
    """Hand one message over and return the receiver's status in words.

    Args:
        client: does not follow redirects.
        outgoing: what.
        secret: signs it.
        timeout_s: after so long it failed, all in all [s].

    Raises:
        NotHanded: nobody answered in time, or the answer was not 2xx.

    """
    body = body_of(outgoing)
    request = client.build_request("POST", outgoing.contact.address, content=body)
    request.headers.update(signed(request.method, str(request.url), body, outgoing, secret))
    host = request.url.host
    try:
        async with asyncio.timeout(timeout_s):
            answer = await client.send(request, stream=True, follow_redirects=False)
            await answer.aclose()  # whatever it says besides is not read
    except TimeoutError as error:
        raise _failed(f"{host} did not answer in time.") from error
    except httpx.HTTPError as error:
        why = str(error) or "the connection failed"
        raise _failed(f"{host} could not be reached: {why}") from error
    said = plain(f"{answer.status_code} {answer.reason_phrase}", SAID_LONGEST)
    if answer.is_success:
        return said
    if answer.is_redirect:
        said += ", it sends on to another address, which is not followed"
    raise NotHanded(f"{host} refused: {said}", TryOutcome.REFUSED)


def body_of(outgoing: Outgoing) -> bytes:
    """Return a message as JSON."""
    message = outgoing.message
    told = {
        "message": message.id,
        "kind": message.kind.value,
        "priority": message.priority.value,
        "network": outgoing.title,
        "subject": message.subject,
        "text": outgoing.body,
        "written_at": _iso(message.made_ms),
        "sent_at": _iso(outgoing.now_ms),
        "alarms": [{"key": key, "raised_at": _iso(at_ms)} for key, at_ms in message.alarms],
        "acknowledge": outgoing.ack_url or None,
    }
    return json.dumps(told, ensure_ascii=False).encode()


def signed(method: str, url: str, body: bytes, outgoing: Outgoing, secret: str) -> dict[str, str]:
    """Return the headers that say what the body is and sign the request."""
    digest = content_digest(body)
    covered = (
        ("@method", method),
        ("@target-uri", url),
        ("content-digest", digest),
        ("content-type", CONTENT_TYPE),
    )
    names = [name for name, _ in covered]
    params = signature_params(
        names, created=outgoing.now_ms // 1000, keyid=f"contact-{outgoing.contact.id}"
    )
    signature = sign(secret.encode(), signature_base(covered, params))
    return {
        "Content-Type": CONTENT_TYPE,
        "Content-Digest": digest,
        "Signature-Input": f"{_LABEL}={params}",
        "Signature": f"{_LABEL}=:{signature}:",
    }


def content_digest(body: bytes) -> str:
    """Return the value of Content-Digest. Source: RFC 9530 §2, sha-256 of §5."""
    return f"sha-256=:{base64.b64encode(hashlib.sha256(body).digest()).decode()}:"


def signature_params(names: Sequence[str], *, created: int, keyid: str) -> str:
    """Return what is signed and how. Source: RFC 9421 §2.3, an inner list of RFC 8941.

    Args:
        names: of the covered components, in order.
        created: seconds since 1970 UTC.
        keyid: names the key; no quotation mark or backslash is in it.

    """
    listed = " ".join(f'"{name}"' for name in names)
    return f'({listed});created={created};keyid="{keyid}"'


def signature_base(covered: Sequence[tuple[str, str]], params: str) -> str:
    """Return the text that is signed. Source: RFC 9421 §2.5."""
    lines = [f'"{name}": {value}' for name, value in covered]
    return "\n".join([*lines, f'"@signature-params": {params}'])


def sign(secret: bytes, base: str) -> str:
    """Return the signature in base64. Source: RFC 9421 §3.3.3 (hmac-sha256)."""
    return base64.b64encode(hmac.digest(secret, base.encode(), "sha256")).decode()


def _iso(at_ms: int) -> str:
    at = datetime.fromtimestamp(at_ms // 1000, UTC)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at_ms % 1000:03d}Z"


def _failed(said: str) -> NotHanded:
    return NotHanded(plain(said, SAID_LONGEST), TryOutcome.FAILED)
