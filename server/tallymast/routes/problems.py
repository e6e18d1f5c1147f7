"""What is answered when something cannot be answered: a page in sentences, or RFC 9457.

A script (everything under /api) gets ``application/problem+json``; a person gets a page that
says what happened and what to do. Nothing of the inside is shown; the log has it.
"""

import logging
from collections.abc import Mapping, Sequence
from http import HTTPStatus
from typing import Any
from urllib.parse import urlencode, urlsplit

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, RedirectResponse
from starlette.exceptions import HTTPException

from tallymast.domain.errors import StorageError, TallymastError
from tallymast.routes.screens import Screens
from tallymast.routes.security import TOO_LARGE, strict_headers
from tallymast.routes.services import Services

log = logging.getLogger(__name__)

PROBLEM = "application/problem+json"
_TITLES = {
    400: "This cannot be read",
    401: "Who are you?",
    403: "Not with your rights",
    404: "There is nothing here",
    405: "That cannot be done here",
    409: "Not now",
    410: "It was kept until now",
    413: "That is too much",
    421: "Not under this name",
    422: "This cannot be understood",
    429: "Too many attempts",
    500: "Tallymast has made a mistake",
    503: "Not at present",
}
_OUR_BUG = (
    "This is a mistake of ours, not of yours. It has been written to the log; polling goes on. "
    "Try again, and report it if it comes back."
)


class Problem(Exception):
    """A request that cannot be answered as asked.

    Args:
        status: the HTTP status.
        detail: what, where, what was expected and what to do, in sentences.

    """

    def __init__(self, status: int, detail: str) -> None:
        self.status = status
        self.detail = detail
        super().__init__(detail)


class SignInFirst(Exception):
    """Somebody unknown asks for what only known people may see or do.

    Args:
        path: where they wanted to go.
        may_return: whether they can be brought there afterwards.

    """

    def __init__(self, path: str, may_return: bool) -> None:
        self.path = path
        self.may_return = may_return
        super().__init__(path)


class AgainFirst(Exception):
    """The password has to be given again before this is done.

    Args:
        path: what was posted to.
        fields: what was posted; it goes along with the password.

    """

    def __init__(self, path: str, fields: Mapping[str, str]) -> None:
        self.path = path
        self.fields = fields
        super().__init__(path)


def answer(request: Request, status: int, detail: str, errors: Sequence[Any] = ()) -> Response:
    """Return the answer to a request that failed, in the form its sender understands."""
    title = _TITLES.get(status) or HTTPStatus(status).phrase
    if request.url.path.startswith("/api/") or request.url.path == "/healthz":
        body: dict[str, Any] = {"type": "about:blank", "title": title, "status": status}
        body |= {"detail": detail, "instance": request.url.path}
        if errors:
            body["errors"] = errors
        return JSONResponse(body, status, media_type=PROBLEM)
    given = request.app.state.services
    assert isinstance(given, Services)
    return Screens(given).page(request, "error.html", {"headline": title, "detail": detail}, status)


def add_handlers(app: FastAPI) -> None:
    """Let the application answer every failure in our own way."""
    app.add_exception_handler(Problem, _problem)
    app.add_exception_handler(SignInFirst, _sign_in_first)
    app.add_exception_handler(AgainFirst, _again_first)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _validation)
    app.add_exception_handler(TallymastError, _expected)
    app.add_exception_handler(Exception, _bug)


def _problem(request: Request, error: Exception) -> Response:
    assert isinstance(error, Problem)
    return answer(request, error.status, error.detail)


def _sign_in_first(request: Request, error: Exception) -> Response:
    """Send a person to the sign-in page, and from there back; tell a script what it lacks."""
    assert isinstance(error, SignInFirst)
    if request.url.path.startswith(("/api/v1/", "/stream/")):
        response = answer(
            request, 401, "Sign in, or send a token: `Authorization: Bearer …`. See /api/docs."
        )
        response.headers["WWW-Authenticate"] = 'Bearer realm="Tallymast"'
        return response
    if "hx-request" in request.headers:
        return answer(request, 401, "You are not signed in (any more). Load the page anew.")
    asked = {"to": error.path} if error.may_return else {"undone": "1", "to": _pressed_on(request)}
    told = urlencode({name: value for name, value in asked.items() if value not in ("", "/")})
    return RedirectResponse(f"/sign-in?{told}" if told else "/sign-in", 303)


def _pressed_on(request: Request) -> str:
    """Return the path of the page a form stood on, as far as the browser told it."""
    page = urlsplit(request.headers.get("referer", ""))
    is_ours = bool(page.netloc) and page.netloc == request.headers.get("host")
    return (f"{page.path}?{page.query}" if page.query else page.path) if is_ours else ""


def _again_first(request: Request, error: Exception) -> Response:
    assert isinstance(error, AgainFirst)
    given = request.app.state.services
    assert isinstance(given, Services)
    context = {"post_to": error.path, "fields": error.fields}
    return Screens(given).page(request, "again.html", context, 403)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    details = {
        404: f"No page or file is called {request.url.path}. It may have been renamed or retired.",
        405: f"{request.method} is not possible at {request.url.path}.",
        413: TOO_LARGE,
    }
    response = answer(request, error.status_code, details.get(error.status_code, error.detail))
    response.headers.update(error.headers or {})
    return response


def _validation(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    found = [
        {"parameter": str(problem["loc"][-1]), "detail": _sentence(problem)}
        for problem in error.errors()
    ]
    return answer(request, 422, " ".join(problem["detail"] for problem in found), found)


def _sentence(problem: dict[str, Any]) -> str:
    name = problem["loc"][-1]
    message = str(problem["msg"]).removeprefix("Value error, ")
    return f"{name}: {message}" if message.endswith(".") else f"{name}: {message}."


def _expected(request: Request, error: Exception) -> Response:
    status = 503 if isinstance(error, StorageError) else 500
    log.warning("request path=%s failed: %s", request.url.path, error)
    return answer(request, status, str(error))


def _bug(request: Request, error: Exception) -> Response:
    response = answer(request, 500, _OUR_BUG)
    response.headers.update(strict_headers())  # this answer goes round the guard
    return response
