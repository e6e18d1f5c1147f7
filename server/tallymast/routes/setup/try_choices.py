"""Where a draft can be tried: at a site that is there, or at any unit address of a gateway."""

from collections.abc import Mapping
from dataclasses import dataclass

from tallymast.domain.network_file import Written
from tallymast.domain.setup.fields import Choices


@dataclass(frozen=True, slots=True)
class TryChoices:
    """What is offered: sites by key (those of the profile first), gateways by key."""

    sites: Choices
    gateways: Choices


def try_choices(written: Written, profile: str) -> TryChoices:
    """Return where a profile can be tried; a retired site has no address any more."""
    sites = [one for one in written.get("site", []) if "retired" not in one]
    sites.sort(key=lambda one: one.get("profile") != profile)
    return TryChoices(
        tuple((str(one["key"]), f"{_name(one)}, unit {one['unit']}") for one in sites),
        tuple((str(one["key"]), _name(one)) for one in written.get("gateway", [])),
    )


def _name(body: Mapping[str, object]) -> str:
    return str(body.get("name") or body["key"])
