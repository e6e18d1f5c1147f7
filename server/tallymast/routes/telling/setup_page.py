"""Who is told of alarms, and how messages leave the house; and who watches this watcher.

Whoever may change the setup reads this page and sets the digest's hour, the sign of life and the
weekly test. Contacts, the mail server and the address in links are a supervisor's: they decide
where alarms go and where people are led.
"""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import Annotated, Any, Final

from fastapi import APIRouter, Form, Request, Response
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain.alarms.weekly import WEEKDAYS, Weekly
from tallymast.domain.audit import Act
from tallymast.domain.errors import ConfigError
from tallymast.domain.heartbeat import LEAST_MIN, MOST_MIN, Heartbeat
from tallymast.domain.telling.due import NEXT_MS, REPEAT_MS, SUPERVISOR_MS
from tallymast.domain.telling.settings import (
    PORTS,
    MailServer,
    Security,
    Telling,
    wrong_with_server,
    wrong_with_telling,
)
from tallymast.routes.door import NOT_KEPT
from tallymast.routes.life.typed import TheTyped, Typed
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens, Show
from tallymast.routes.services import Given, Services
from tallymast.routes.telling.setup_view import view_of
from tallymast.routes.who import Person, ThePerson, tell
from tallymast.storage import heartbeat as kept_heartbeat
from tallymast.storage import telling_settings
from tallymast.storage import test_alarm as kept_weekly

SECURITY: Final = {
    Security.STARTTLS: "STARTTLS",
    Security.TLS: "TLS from the first byte",
    Security.NONE: "none, on this machine only",
}
HERE: Final = "/setup/telling"

router = APIRouter(include_in_schema=False)

Url = Annotated[str, Form(max_length=2000)]


@dataclass(frozen=True, slots=True)
class Mended:
    """A form that was refused: which, what was typed, and the sentences."""

    form: str = ""
    typed: Typed | None = None
    wrong: tuple[str, ...] = ()


@router.get(HERE)
def telling_page(request: Request, given: Given, show: Show, done: str = "") -> HTMLResponse:
    """Show who is told, how, and how sending goes."""
    return _page(request, given, show, Mended(), done if done in _DONE else "")


@router.post("/setup/telling/mail")
def change_mail(
    request: Request, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Change the mail server; with an empty name no mail leaves the house."""
    server, wrong = _read_server(typed)
    if wrong:
        return _page(request, given, show, Mended("mail", typed, wrong))
    words = server_words(server)

    def changed(before: Telling) -> Telling:
        return replace(before, server=server)

    _keep(given, person, changed, "telling.mail", words)
    return RedirectResponse(f"{HERE}?done=mail#mail", 303)


@router.post("/setup/telling/address")
def change_address(
    request: Request, given: Given, person: ThePerson, show: Show, typed: TheTyped
) -> Response:
    """Change under which address links in messages lead here."""
    url = typed.get("url", "").rstrip("/")
    wrong = wrong_with_telling(Telling(public_url=url))
    if wrong:
        return _page(request, given, show, Mended("address", typed, wrong))

    def changed(before: Telling) -> Telling:
        return replace(before, public_url=url)

    _keep(given, person, changed, "telling.address", url or "none, so messages hold no links")
    return RedirectResponse(f"{HERE}?done=address#address", 303)


@router.post("/setup/telling/digest")
def change_digest(
    given: Given, person: ThePerson, hour: Annotated[int, Form(ge=0, le=23)]
) -> Response:
    """Change at which hour the digest of the day is written."""

    def changed(before: Telling) -> Telling:
        return replace(before, digest_hour=hour)

    _keep(given, person, changed, "telling.digest", f"from {hour:02d}:00 on")
    return RedirectResponse(f"{HERE}?done=digest#digest", 303)


@router.post("/setup/telling/heartbeat")
def change_heartbeat(
    request: Request,
    given: Given,
    person: ThePerson,
    show: Show,
    url: Url = "",
    minutes: Annotated[str, Form(max_length=20)] = "",
    way: Annotated[str, Form(max_length=10)] = "get",
    act: Annotated[str, Form(max_length=10)] = "keep",
) -> Response:
    """Change where the sign of life goes and how often; an empty address keeps the one that is set.

    The address is never shown again: it may hold the receiver's key.
    """
    typed = {"url": url, "minutes": minutes, "way": way}
    if not minutes.strip().isdecimal() or len(minutes) > 9:
        said = f"How often: {minutes or 'nothing'} is no number of minutes, such as 5."
        return _page(request, given, show, Mended("heartbeat", typed, (said,)))
    try:
        with given.database.writing() as connection:
            before = kept_heartbeat.load(connection)
            goes_to = "" if act == "end" else url.strip() or before.url
            beat = Heartbeat(goes_to, int(minutes), way == "post")
            if beat != before:
                kept_heartbeat.save(connection, beat)
                words = f"to {beat.host} every {beat.every_min} min" if beat.is_on else "none"
                act_of = Act("telling.heartbeat", "telling", "heartbeat", after={"words": words})
                tell(connection, given, person, act_of)
    except ConfigError as error:
        return _page(request, given, show, Mended("heartbeat", typed, _sentences(error)))
    return RedirectResponse(f"{HERE}?done=heartbeat#watching", 303)


@router.post("/setup/telling/heartbeat/send")
def send_heartbeat(given: Given, person: ThePerson) -> Response:
    """Send a sign of life now; what comes of it stands on the page."""
    if given.beat is None:
        raise Problem(409, "This process sends no sign of life; the one that polls does.")
    with given.database.writing() as connection:
        if not kept_heartbeat.load(connection).is_on:
            raise Problem(409, "Enter the receiver's address first: nothing is sent anywhere yet.")
        tell(connection, given, person, Act("telling.beat", "telling", "heartbeat"))
    given.beat()
    return RedirectResponse(f"{HERE}?done=beat#watching", 303)


@router.post("/setup/telling/weekly")
def change_weekly(
    given: Given,
    person: ThePerson,
    weekday: Annotated[int, Form(ge=0, le=6)],
    hour: Annotated[int, Form(ge=0, le=23)],
    on: Annotated[str, Form(max_length=5)] = "",
) -> Response:
    """Change when the test alarm is raised by itself."""
    weekly = Weekly(weekday, hour, bool(on))
    with given.database.writing() as connection:
        before = kept_weekly.load(connection)
        if weekly != before:
            kept_weekly.save(connection, weekly)
            was, now = {"words": before.words}, {"words": weekly.words}
            tell(connection, given, person, Act("telling.weekly", "telling", "test", was, now))
    return RedirectResponse(f"{HERE}?done=weekly#weekly", 303)


def server_words(server: MailServer | None) -> str:
    """Return a mail server in words, without whom it is asked for as."""
    if server is None:
        return "none, so no mail leaves the house"
    return f"{server.host}, port {server.port}, {server.security.value}, from {server.sender}"


_DONE: Final = {
    "mail": "The mail server is stored. Send a trial message to somebody to see whether it works.",
    "address": "The address in links is stored; it holds for messages from now on.",
    "digest": "The hour of the day's digest is stored.",
    "heartbeat": "The sign of life is stored.",
    "entered": "The contact is entered. Send a trial message to see whether it arrives.",
    "changed": "The contact is stored as it is now.",
    "retired": "The contact is retired: it is told nothing more.",
    "beat": "A sign of life is being sent; load this page anew in a moment to see what came of it.",
    "weekly": "The weekly test is stored.",
}


def _read_server(typed: Typed) -> tuple[MailServer | None, tuple[str, ...]]:
    if not typed.get("host"):
        return None, ()
    security = typed.get("security", "")
    kind = Security(security) if security in [one.value for one in Security] else Security.STARTTLS
    usual, port = PORTS[kind.value], typed.get("port", "")
    no_port: tuple[str, ...] = ()
    if port and (not port.isdecimal() or len(port) > 9):
        no_port, port = (f"A port is a number from 1 to 65535; this is {port}.",), ""
    server = MailServer(
        typed["host"], int(port or usual), kind, typed.get("user", ""), typed.get("sender", "")
    )
    return server, no_port + wrong_with_server(server)


def _keep(
    given: Services,
    person: Person,
    changed: Callable[[Telling], Telling],
    action: str,
    words: str,
) -> None:
    with given.database.writing() as connection:
        before = telling_settings.load(connection)
        after = changed(before)
        if after != before:
            telling_settings.keep(connection, after, given.now_ms())
            subject = action.partition(".")[2]
            tell(connection, given, person, Act(action, "telling", subject, {}, {"words": words}))


def _sentences(error: ConfigError) -> tuple[str, ...]:
    return tuple(str(error).splitlines())


# --- showing ----------------------------------------------------------------------------


def _page(
    request: Request, given: Services, show: Screens, mended: Mended, done: str = ""
) -> HTMLResponse:
    with given.database.reading() as connection:
        telling = telling_settings.load(connection)
        beat, weekly = kept_heartbeat.load(connection), kept_weekly.load(connection)
        view = view_of(connection, given, telling)
    context = {
        "view": view,
        "done": done,
        "done_words": _DONE.get(done, ""),
        "telling": telling,
        "server_words": server_words(telling.server),
        "security": {one.value: words for one, words in SECURITY.items()},
        "ports": PORTS,
        "has_password": given.mail_password(),
        "beat": beat,
        "beat_now": given.heartbeat(),
        "may_beat": given.beat is not None,
        "beat_least": LEAST_MIN,
        "beat_most": MOST_MIN,
        "weekly": weekly,
        "weekdays": WEEKDAYS,
        "delays": _delays(),
        **_fields(mended, telling, beat),
    }
    response = show.page(request, "setup_telling.html", context, 422 if mended.wrong else 200)
    response.headers.update(NOT_KEPT)
    return response


def _delays() -> dict[str, int]:
    urgent, high = (NEXT_MS[one] // 60_000 for one in NEXT_MS)
    return {
        "urgent": urgent,
        "high": high,
        "supervisor": SUPERVISOR_MS // 60_000,
        "repeat": REPEAT_MS // 60_000,
    }


def _fields(mended: Mended, telling: Telling, beat: Heartbeat) -> Mapping[str, Any]:
    """Return what stands in the forms: what was typed where one was refused, else what is kept."""
    server = telling.server
    kept: dict[str, Typed] = {
        "mail": {
            "host": server.host if server else "",
            "port": str(server.port) if server else "",
            "security": (server.security if server else Security.STARTTLS).value,
            "user": server.user if server else "",
            "sender": server.sender if server else "",
        },
        "address": {"url": telling.public_url},
        "heartbeat": {
            "url": "",
            "minutes": str(beat.every_min),
            "way": "post" if beat.posts else "get",
        },
    }
    if mended.form and mended.typed is not None:
        kept[mended.form] = {**kept[mended.form], **mended.typed}
    return {"typed": kept, "wrong": mended.wrong, "wrong_form": mended.form}
