"""Answers a form of the setup pages: opened, checked while it is filled in, looked at, stored."""

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final

from fastapi import Request, Response
from fastapi.concurrency import run_in_threadpool
from fastapi.responses import HTMLResponse, RedirectResponse

from tallymast.domain import network_file
from tallymast.domain.errors import StorageError
from tallymast.domain.network_file import Written, differences
from tallymast.domain.setup.effects import effects
from tallymast.domain.setup.form_mistakes import Sorted, unasked
from tallymast.domain.setup.lock_rows import merge_locks, without_codes
from tallymast.domain.setup.merging import merge
from tallymast.domain.setup.proposals import Proposal
from tallymast.domain.setup.things import put, renames
from tallymast.routes.problems import Problem
from tallymast.routes.screens import Screens
from tallymast.routes.services import Services
from tallymast.routes.setup.changing import store
from tallymast.routes.setup.codes import codes_so_far, take_codes
from tallymast.routes.setup.form_view import (
    Summary,
    echoes_of,
    names_taken,
    shown_groups,
    shown_locks,
    summary,
    texts_opened,
)
from tallymast.routes.setup.forms import Attempt, Form, attempt
from tallymast.routes.setup.preview import preview
from tallymast.routes.who import Person, ask_again
from tallymast.storage.keys import changed_last

SEEN_WITHIN_S = 1.5  # the page's view follows within half a second
SAME: Final = "Nothing is different from what is stored; nothing was done."
More = Mapping[str, object]
Where = Callable[[Attempt, int], str]


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """What somebody else stored while the form was open."""

    who: str
    at_ms: int
    changes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """One request about a form."""

    request: Request
    given: Services
    show: Screens
    person: Person
    form: Form
    texts: dict[str, str] = field(default_factory=dict)
    more: More = field(default_factory=dict)  # what the page shows besides the form
    gone: str = ""  # the key it was opened under, where somebody removed it meanwhile


@dataclass(frozen=True, slots=True)
class Button:
    """A change of the network that needs no form: what it makes of it, and what it is called."""

    asked: Asked
    after: Written
    headline: str
    where: str
    sentence: str = ""


def opened(asked: Asked) -> HTMLResponse:
    """Return a form's page as it is opened."""
    return _page(asked, texts_opened(asked.form), None, {}, Sorted())


async def posted(make: Callable[[str], Asked], key: str, where: Where) -> Response:
    """Answer a form that was sent: its mistakes, what it would do, or that it is done.

    Args:
        make: makes the request about the thing of a key; about a new one of none.
        key: of the thing; empty for a new one.
        where: makes the address to go on to, of the attempt and the new revision.

    """
    asked = await run_in_threadpool(_there_or_new, make, key)
    step = asked.texts.pop("step", "")
    codes, lost = take_codes(asked.request, asked.given, asked.person, asked.texts)
    if step == "edit":
        return await run_in_threadpool(_edit, asked, codes)
    tried = await run_in_threadpool(attempt, asked.given, asked.form, asked.texts, codes, lost)
    if refused := await run_in_threadpool(_refused, asked, tried, codes):
        return refused
    proposal = await run_in_threadpool(_proposal, asked.form, tried)
    if step == "store" and not asked.gone:
        return await _stored(asked, tried, proposal, codes, where)
    headline = f"{asked.gone}, removed meanwhile, made anew" if asked.gone else ""
    return await run_in_threadpool(_look, asked, proposal, headline)


def checked(asked: Asked) -> HTMLResponse:
    """Return the messages of a form that is being filled in, and nothing else of it."""
    codes = codes_so_far(asked.request, asked.given, asked.person, asked.texts)
    tried = attempt(asked.given, asked.form, asked.texts, codes, False)
    blank = [one.key for one in asked.form.fields if not asked.texts.get(one.inputs[0], "").strip()]
    wrong = unasked(tried.wrong, asked.form.groups, blank)
    context = {
        "groups": shown_groups(asked.form, asked.texts, wrong),
        "locks": shown_locks(asked.form, asked.texts, codes, wrong) if asked.form.has_locks else [],
        "count": wrong.count,
        "echoes": echoes_of(asked.form, asked.texts),
        "others": [*wrong.here, *wrong.elsewhere],
    }
    return HTMLResponse(asked.show.fragment("partials/setup_told.html", context))


async def confirmed(make: Callable[[], Button]) -> Response:
    """Answer a button that changes the network without a form: what it would do, or done."""
    button = await run_in_threadpool(make)
    asked = button.asked
    step = asked.texts.pop("step", "")
    if step == "edit":
        return RedirectResponse(asked.form.path, 303)
    proposal = await run_in_threadpool(_pressed, button)
    if step != "store":
        post_to = str(asked.request.url.path)
        return await run_in_threadpool(_look, asked, proposal, button.headline, post_to)
    effect = await run_in_threadpool(effects, asked.form.written, proposal)
    if effect.outputs:
        await ask_again(asked.request, asked.given, asked.person)
    await run_in_threadpool(store, asked.given, asked.person, proposal)
    return RedirectResponse(button.where, 303)


def again(asked: Asked, wrong: Sorted) -> HTMLResponse:
    """Return a form again with what was typed and what is wrong, where it cannot be tried."""
    asked.texts.pop("step", "")
    if asked.request.headers.get("hx-request"):
        context = {"summary": summary(asked.form, wrong)}
        return HTMLResponse(asked.show.fragment("partials/setup_untried.html", context))
    return _page(asked, asked.texts, asked.texts, {}, wrong, status=422)


def wait_for(given: Services, number: int) -> None:
    """Wait until the pages know a new revision, so that the next page finds what is new."""
    until = time.monotonic() + SEEN_WITHIN_S
    while given.network().revision_id < number and time.monotonic() < until:
        time.sleep(0.05)


# --- the steps --------------------------------------------------------------------------


def _there_or_new(make: Callable[[str], Asked], key: str) -> Asked:
    """Return a request about what is there; what was removed meanwhile is a new one then."""
    try:
        return make(key)
    except Problem as problem:
        if not key or problem.status != 404:
            raise
        return replace(make(""), gone=key)


def _pressed(button: Button) -> Proposal:
    network = network_file.build(button.after, "")
    base = button.asked.form.base
    return Proposal(base, button.after, network, "form", sentence=button.sentence)


def _edit(asked: Asked, codes: Mapping[str, str]) -> HTMLResponse:
    return _page(asked, asked.texts, asked.texts, codes, Sorted())


def _refused(asked: Asked, tried: Attempt, codes: Mapping[str, str]) -> HTMLResponse | None:
    """Return the form again where it cannot go on, None where it can."""
    form = asked.form
    was = form.was_changed(asked.texts)
    if was is not None:
        return _meanwhile(asked, was, codes)
    if tried.wrong.count:
        return _page(asked, asked.texts, asked.texts, codes, tried.wrong, status=422)
    if tried.after == form.written:
        return _page(asked, asked.texts, asked.texts, codes, Sorted(), note=SAME)
    return None


def _meanwhile(asked: Asked, was: Written, codes: Mapping[str, str]) -> HTMLResponse:
    form = asked.form
    merged = merge(form.fields, asked.texts, was, form.body)
    points = {"point": form.body["point"]} if "point" in form.body else {}
    now = put(form.written, form.thing, {**without_codes(form.body), **points})
    then = put(form.written, form.thing, {**was, **points})
    with asked.given.database.reading() as connection:
        who, at_ms = changed_last(connection) or ("somebody", asked.given.now_ms())
    told = Meanwhile(who, at_ms, differences(then, now))
    beside = {key: (sentence,) for key, sentence in merged.clashes.items()}
    texts = merge_locks(merged.texts, was.get("lock", []), form.body.get("lock", []))
    texts["was"] = form.opened
    return _page(asked, texts, texts, codes, Sorted(beside), status=409, meanwhile=told)


def _proposal(form: Form, tried: Attempt) -> Proposal:
    network = network_file.build(tried.after, "")
    return Proposal(form.base, tried.after, network, "form", renames(form.thing, tried.body))


def _look(asked: Asked, proposal: Proposal, headline: str = "", post_to: str = "") -> HTMLResponse:
    form = asked.form
    return preview(
        asked.request,
        asked.show,
        form.written,
        proposal,
        headline=headline or form.name or _typed_name(asked.texts),
        post_to=post_to or form.path,
        back=form.back,
        fields=asked.texts,
    )


def _typed_name(texts: Mapping[str, str]) -> str:
    names = (texts.get(key, "").strip() for key in ("name", "tag", "key"))
    return next((name for name in names if name), "Something new")


async def _stored(
    asked: Asked, tried: Attempt, proposal: Proposal, codes: Mapping[str, str], where: Where
) -> Response:
    form = asked.form
    effect = await run_in_threadpool(effects, form.written, proposal)
    if effect.outputs:
        await ask_again(asked.request, asked.given, asked.person)
    try:
        number = await run_in_threadpool(store, asked.given, asked.person, proposal)
    except StorageError as error:
        if not proposal.renamed:
            raise
        wrong = replace(tried.wrong, beside={"key": (str(error),)})
        return await run_in_threadpool(
            _page, asked, asked.texts, asked.texts, codes, wrong, status=422
        )
    if proposal.renamed or form.thing.is_new:
        await run_in_threadpool(wait_for, asked.given, number)
    return RedirectResponse(where(tried, number), 303)


def _page(
    asked: Asked,
    texts: Mapping[str, str],
    sent: Mapping[str, str] | None,
    codes: Mapping[str, str],
    wrong: Sorted,
    *,
    status: int = 200,
    note: str = "",
    meanwhile: Meanwhile | None = None,
) -> HTMLResponse:
    form = asked.form
    lines: list[Summary] = [] if meanwhile else summary(form, wrong)
    context: dict[str, Any] = {
        "form": form,
        "groups": shown_groups(form, texts, wrong),
        "locks": shown_locks(form, sent, codes, wrong) if form.has_locks else [],
        "told_of_locks": wrong.beside.get("lock", ()),
        "was": texts.get("was") or form.opened,
        "codes": texts.get("codes", ""),
        "summary": lines,
        "note": note,
        "is_sent": sent is not None,
        "meanwhile": meanwhile,
        "base": form.base,
        "taken": names_taken(form),
        "stored": asked.request.query_params.get("stored", ""),
        **asked.more,
    }
    return asked.show.page(asked.request, form.template, context, status)
