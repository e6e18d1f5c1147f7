"""What every answer carries, and which requests are not answered at all.

Pages may load nothing from elsewhere and are shown in no frame. A request that changes
something must come from our own pages (or from a script without cookies); a request for
another host name is refused, so that no foreign name can be pointed at this machine.
"""

from collections.abc import Callable
from ipaddress import ip_address
from urllib.parse import urlsplit

from fastapi import Request
from starlette.datastructures import Headers, MutableHeaders
from starlette.middleware.body_limit import RequestBodyLimitMiddleware
from starlette.requests import Request as StarletteRequest
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 256 * 1024  # bytes; nothing else that may be sent is nearly so large
LARGEST_FILE = 4 * 1024 * 1024  # bytes; tables of a network, photographs
FILES = ("/setup/import", "/commissioning/")  # how paths begin that take files
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})

TOO_LARGE = (
    "What was sent is larger than anything Tallymast asks for (256 kB; a file 4 MB). Nothing of it"
    " was taken."
)

_POLICY = {
    "default-src": "'none'",
    "script-src": "'self'",
    "style-src": "'self'",
    "img-src": "'self' data:",
    "font-src": "'self'",
    "connect-src": "'self'",
    "manifest-src": "'self'",
    "form-action": "'self'",
    "frame-ancestors": "'none'",
    "base-uri": "'none'",
}
# Plotly writes style attributes and fills one empty <style> element through the CSSOM; the
# digest is that of the empty element. Nothing else may bring styles along.
CHARTS = {
    "img-src": "'self' data: blob:",
    "style-src-elem": "'self' 'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='",
    "style-src-attr": "'unsafe-inline'",
}
# The API page's viewer writes style attributes.
API_PAGE = {"style-src-attr": "'unsafe-inline'"}

_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), geolocation=(), microphone=(), payment=(), usb=()",
}


def extend_policy(request: Request, more: dict[str, str]) -> None:
    """Let the page that answers this request do a little more than the others."""
    request.state.policy = {**getattr(request.state, "policy", {}), **more}


def policy(more: dict[str, str]) -> str:
    """Return a content-security policy: the strict one, with directives replaced or added."""
    return "; ".join(f"{name} {sources}" for name, sources in {**_POLICY, **more}.items())


def largest_body(path: str) -> int:
    """Return how many bytes may be sent to a path."""
    return LARGEST_FILE if path.startswith(FILES) else LARGEST_BODY


class BodyLimits:
    """Cuts off what is sent without its length: more where files are taken."""

    def __init__(self, app: ASGIApp) -> None:
        self._by_size = {
            size: RequestBodyLimitMiddleware(app, max_body_size=size)
            for size in (LARGEST_BODY, LARGEST_FILE)
        }

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        await self._by_size[largest_body(scope.get("path", ""))](scope, receive, send)


Refuse = Callable[[StarletteRequest, int, str], ASGIApp]


class Guard:
    """Refuses foreign hosts, cross-site changes and what is too large, and dresses every answer.

    Args:
        app: what answers the requests that pass.
        hosts: host names under which this server may be asked, without port.
        refuse: makes the answer to a refused request from status and sentence.
        by_address: whether any address in figures may be asked for as well: no foreign name
            can be made to mean one.

    """

    def __init__(
        self, app: ASGIApp, hosts: tuple[str, ...], refuse: Refuse, by_address: bool = False
    ) -> None:
        self._app = app
        self._by_address = by_address
        self._hosts = frozenset(host.lower() for host in hosts)
        self._refuse = refuse

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        scope.setdefault("state", {})

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                _dress(MutableHeaders(scope=message), scope)
            await send(message)

        await self._chosen(scope)(scope, receive, dressed)

    def _is_known(self, name: str) -> bool:
        return name in self._hosts or (self._by_address and _is_address(name))

    def _chosen(self, scope: Scope) -> ASGIApp:
        headers = Headers(scope=scope)
        host = headers.get("host", "")
        if not self._is_known(_without_port(host)):
            sentence = (
                f"This server does not answer under the name {host!r}. Use one of: "
                f"{', '.join(sorted(self._hosts))}."
            )
            return self._refuse(StarletteRequest(scope), 421, sentence)
        if _length(headers) > largest_body(scope["path"]):
            return self._refuse(StarletteRequest(scope), 413, TOO_LARGE)
        if scope["method"] not in SAFE_METHODS and not _is_own(headers, scope, host):
            sentence = (
                "This request came from another site's page and was not carried out. Open the "
                "page here and try again."
            )
            return self._refuse(StarletteRequest(scope), 403, sentence)
        return self._app


def _is_address(name: str) -> bool:
    try:
        ip_address(name.removeprefix("[").removesuffix("]"))
    except ValueError:
        return False
    return True


def strict_headers(more: dict[str, str] | None = None) -> dict[str, str]:
    """Return what every answer carries, its policy extended by ``more``."""
    return {
        **_HEADERS,
        "Content-Security-Policy": policy(more or {}),
        "Cache-Control": "no-cache",
    }


def _dress(headers: MutableHeaders, scope: Scope) -> None:
    for name, value in strict_headers(scope["state"].get("policy")).items():
        headers.setdefault(name, value)
    if scope["scheme"] == "https":
        headers.setdefault("Strict-Transport-Security", "max-age=31536000")


def _length(headers: Headers) -> int:
    told = headers.get("content-length", "")
    return int(told) if told.isdecimal() else 0


def _without_port(host: str) -> str:
    name, _, port = host.rpartition(":")
    return (name if port.isdigit() else host).lower()


def _is_own(headers: Headers, scope: Scope, host: str) -> bool:
    """Whether a changing request comes from our own page, or from no browser's page at all.

    Source: W3C Fetch Metadata Request Headers, section 2.3; where a browser sends none (plain
    HTTP on a LAN name), RFC 6454 section 7 Origin against the request's own origin. A bearer
    token is not sent by a browser on its own.
    """
    if headers.get("authorization", "").lower().startswith("bearer "):
        return True
    site = headers.get("sec-fetch-site")
    if site is not None:
        return site in ("same-origin", "none")
    origin = headers.get("origin")
    if origin is None:
        return "cookie" not in headers
    parts = urlsplit(origin)
    return (parts.scheme, parts.netloc.lower()) == (scope["scheme"], host.lower())
