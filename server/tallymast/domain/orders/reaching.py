"""Why an order would not get there: nothing polls the site, nobody answers, the channel is shut.

Some of it is sure (nothing can be sent), some likely (nobody may hear it). Stopping is tried where
it is only likely: the attempt hurts nobody, and its end is told as it is.
"""

from collections.abc import Iterator

from tallymast.domain.contact import is_failing
from tallymast.domain.model import Act, GatewayState, GatewayStatus, Site, SiteStatus
from tallymast.domain.orders.situation import Situation, at_words

_ECHO = "local_echo"  # only the sentence about own bytes coming back names this key


def shut(situation: Situation) -> Iterator[str]:
    """Yield why nothing at all can be sent to the site."""
    if (words := _not_polled(situation)) or (words := _never_answered(situation)):
        yield words
    yield from _gateway_shut(situation.gateway)


def unheard(situation: Situation) -> Iterator[str]:
    """Yield why nobody may hear it, although it can be sent."""
    gateway, state = situation.gateway, situation.state
    if gateway is not None and gateway.status is GatewayStatus.MUTE:
        yield gateway.sentence or "Nothing behind the gateway answers."
    elif state is not None and (state.status is SiteStatus.COMM_FAIL or is_failing(state)):
        answered = state.last_answer_ms
        last = "" if answered is None else f"; last answer {at_words(situation, answered)}"
        yield f"{situation.site.name} is in comm fail{last}."


def is_echoing(gateway: GatewayState) -> bool:
    """Whether own bytes come back on a channel: an echo could pass for the station's word."""
    return _ECHO in gateway.sentence


def _not_polled(situation: Situation) -> str:
    site, state = situation.site, situation.state
    on_purpose = state is not None and state.status is SiteStatus.NOT_POLLED
    if situation.plan.is_polled and not on_purpose:
        return ""
    why = _why_not(site, situation.plan.act)
    return f"{site.name} is not polled{why}, so no order is sent there. Have it polled again first."


def _why_not(site: Site, act: Act) -> str:
    if site.retired is not None:
        return " any more, it is retired"
    if act is Act.NOT_POLLED:
        return " on purpose"
    return "" if site.in_service else ", it is not in service"


def _never_answered(situation: Situation) -> str:
    state = situation.state
    if state is not None and state.last_answer_ms is not None:
        return ""
    return (
        f"{situation.site.name} has never answered, so nobody knows which station an order would"
        " reach. Prove first that it answers."
    )


def _gateway_shut(gateway: GatewayState | None) -> Iterator[str]:
    if gateway is None or gateway.status is GatewayStatus.STARTING:
        yield "The gateway is not connected yet; wait until it is."
    elif gateway.status is GatewayStatus.UNREACHABLE:
        yield f"The gateway is not connected. {gateway.sentence}".strip()
    elif is_echoing(gateway):
        yield gateway.sentence
