"""What is looked at before a site comes back into service after its season."""

from dataclasses import dataclass

from tallymast.domain.grammar.drafts import OUTPUTS
from tallymast.domain.model import Site, SupplyKind


@dataclass(frozen=True, slots=True)
class Check:
    """One line of the checklist; ``link`` leads below the site's own address."""

    key: str
    title: str
    words: str
    link: str = ""
    link_words: str = ""


def checks_of(site: Site) -> tuple[Check, ...]:
    """Return what is to be looked at, in the order one meets it.

    Common practice, no published source.
    """
    return (*_supply(site), *_outside(), *_outputs(site), *_at_last())


def _supply(site: Site) -> tuple[Check, ...]:
    supply = site.supply
    if supply is None or supply.kind is SupplyKind.MAINS:
        return (Check("supply", "Supply on", "Supply switched on, fuses in, terminals tight."),)
    if supply.kind is SupplyKind.PRIMARY:
        words = "Pack's age and load voltage noted; its voltage at rest tells little."
        return (Check("battery", "Primary pack", words, "hand-meter", "Hand-meter reading"),)
    words = (
        "Fully charged, then rested two hours without load or charge; terminals clean and tight, "
        "panel clear, fuses in."
    )
    title = "Battery rested and charged"
    return (Check("battery", title, words, "hand-meter", "Hand-meter reading"),)


def _outside() -> tuple[Check, ...]:
    return (
        Check(
            "mast",
            "Antenna and mast",
            "Upright, bearing as noted, feedline and arrester sealed, guys tight. Looked at from "
            "the ground; climbing needs fall protection, and clearance from power lines.",
            "hardware",
            "As fitted",
        ),
        Check(
            "enclosure",
            "Enclosure dry, no animals",
            "Dry inside, seals whole, vents clear, no nests or wasps; look before you reach in.",
        ),
        Check(
            "process",
            "Inlet and valves",
            "Inlet, valves and gates stand as the season wants them; position noted.",
        ),
    )


def _outputs(site: Site) -> tuple[Check, ...]:
    named = [f"{point.name} ({point.tag})" for point in site.points if point.kind in OUTPUTS]
    if not named:
        return ()
    words = (
        f"{', '.join(named)}: what they move stands in hand or off, isolated, locked and tagged "
        "by local law until it is proven. A screen is never lock-out."
    )
    return (Check("outputs", "Outputs safe and tagged", words),)


def _at_last() -> tuple[Check, ...]:
    return (
        Check(
            "link",
            "Link tested",
            "Twenty polls answered as before the season.",
            "commissioning",
            "Link test",
        ),
        Check(
            "points",
            "Points proven",
            "Every point compared with the field, limits as they are to be.",
            "check-out",
            "Check-out",
        ),
    )
