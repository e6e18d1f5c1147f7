"""The page before a change of the network: what it does, and the question whether to make it."""

from collections.abc import Mapping

from fastapi import Request
from fastapi.responses import HTMLResponse

from tallymast.domain.network_file import Written
from tallymast.domain.setup.effects import effects
from tallymast.domain.setup.proposals import Proposal
from tallymast.routes.screens import Screens


def preview(
    request: Request,
    show: Screens,
    before: Written,
    proposal: Proposal,
    *,
    headline: str,
    post_to: str,
    back: str,
    fields: Mapping[str, str],
) -> HTMLResponse:
    """Show what a change will do; its button posts ``fields`` again, with ``step`` = ``store``.

    Args:
        request: whom to answer.
        show: what renders.
        before: the network as people wrote it until now.
        proposal: the change.
        headline: what is changed, as "Upper Weir".
        post_to: where the button posts.
        back: the page to go back to without a change.
        fields: what was typed, name by name; it goes along so that nothing is lost.

    """
    context = {
        "headline": headline,
        "effects": effects(before, proposal),
        "post_to": post_to,
        "back": back,
        "fields": fields,
        "base": proposal.base,
    }
    return show.page(request, "setup_preview.html", context)
