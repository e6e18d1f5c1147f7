"""Fields of a site: what it is, how it is reached and powered, how people get there."""

from dataclasses import replace

from tallymast.domain.setup.fields import Choices, Field, Group, Kind, Of
from tallymast.domain.setup.network_fields import POSITION

CLASSES: Choices = (
    ("control", "control: outputs are operated there"),
    ("monitoring", "monitoring"),
    ("duty-cycled", "duty-cycled: its receiver sleeps between polls"),
)
SUPPLIES: Choices = (
    ("solar", "solar"),
    ("mains-with-battery", "mains with battery"),
    ("mains", "mains only"),
    ("primary", "primary pack, not charged"),
)
CHEMISTRIES: Choices = (
    ("flooded", "flooded lead-acid"),
    ("agm", "AGM lead-acid"),
    ("gel", "gel lead-acid"),
    ("lifepo4", "LiFePO4"),
    ("lithium-primary", "lithium primary"),
)

_IDENTITY = Group(
    "What it is and how it is reached",
    (
        Field("name", "Name", hint="What people call it.", needed=True),
        Field("gateway", "Gateway", Kind.CHOICE, needed=True, of=Of.GATEWAYS),
        Field(
            "unit", "Unit address", Kind.WHOLE, "1 to 247, each once behind a gateway.", needed=True
        ),
        Field(
            "profile",
            "Profile",
            Kind.CHOICE,
            "What stations of this make-up have in common.",
            needed=True,
            of=Of.PROFILES,
        ),
        Field("area", "Area", hint="Sites of one area stand together."),
        Field(
            "poll_every_s",
            "Poll every",
            Kind.NUMBER,
            "Control 10 to 15 s, monitoring 60 s.",
            "s",
            "60 s",
        ),
        Field(
            "class",
            "Service class",
            Kind.CHOICE,
            "It chooses the usual alarm delays.",
            usual="monitoring",
            words=CLASSES,
        ),
    ),
)
_PATH = Group(
    "Path and patience",
    (
        Field(
            "via",
            "Through the repeater",
            Kind.CHOICE,
            "Itself a site behind the same gateway.",
            usual="direct",
            of=Of.SITES,
        ),
        Field(
            "reply_timeout_s",
            "Reply timeout",
            Kind.NUMBER,
            "A repeater adds 1.0 s by itself.",
            "s",
            "as the gateway",
        ),
        Field("retries", "Retries", Kind.WHOLE, "Tries after the first.", "", "as the gateway"),
        Field(
            "turnaround_ms",
            "Turnaround",
            Kind.NUMBER,
            "Before the station answers.",
            "ms",
            "as the gateway",
        ),
        Field(
            "miss_limit",
            "Comm fail after",
            Kind.WHOLE,
            "Missed polls in a row.",
            "polls",
            "as the gateway",
        ),
        Field(
            "in_service",
            "In service",
            Kind.FLAG,
            "No: it is not polled, without an end.",
            usual="yes",
        ),
    ),
    folded=True,
)
_WHERE = Group("Where it lies", POSITION, "Sun and distance follow from it.")
_SUPPLY = Group(
    "Supply",
    (
        Field("supply.kind", "Powered by", Kind.CHOICE, usual="not known", words=SUPPLIES),
        Field("supply.chemistry", "Battery", Kind.CHOICE, usual="not known", words=CHEMISTRIES),
        Field("supply.nominal_v", "Nominal voltage", Kind.NUMBER, "", "V", "12 V"),
        Field("supply.capacity_ah", "Capacity", Kind.NUMBER, "As printed on the battery.", "Ah"),
        Field("supply.installed", "Battery installed", Kind.DAY, "As 2022-05-01."),
        Field("supply.panel_w", "Panel", Kind.NUMBER, "As printed on it.", "W"),
        Field(
            "supply.panel_tilt", "Panel tilt", Kind.NUMBER, "0 lies flat, 90 stands upright.", "°"
        ),
        Field(
            "supply.panel_azimuth", "Panel faces", Kind.NUMBER, "True bearing, 180 is south.", "°"
        ),
        Field(
            "supply.disconnect_v",
            "Load is disconnected at",
            Kind.NUMBER,
            "At the controller; the maker's figure.",
            "V",
            "by the battery",
        ),
        Field("supply.reconnect_v", "Load comes back at", Kind.NUMBER, "", "V", "by the battery"),
        Field("supply.radio_minimum_v", "Radio works down to", Kind.NUMBER, "", "V"),
        Field(
            "supply.meter_offset_v",
            "Station's voltmeter is high by",
            Kind.NUMBER,
            "What it shows too much; a hand reading sets it.",
            "V",
            "0 V",
        ),
    ),
    "What a forecast of the battery stands on. Leave all of it empty where nobody knows.",
)
_ACCESS = Group(
    "Getting there",
    (
        Field("access", "Access", Kind.LONG, "Who has the key, which gate."),
        Field("road", "Road", Kind.LONG, "What it takes, and when it does not go."),
        Field("coverage", "Cell coverage", Kind.LONG, "Where a phone works."),
        Field("drawing", "Area drawing", hint="Where it is kept."),
        Field("cautions", "Cautions", Kind.LINES, "One a line, as open water."),
    ),
)
_SEASON = Group(
    "Season",
    (
        Field(
            "season.out_from",
            "Out of season from",
            Kind.DAY_OF_YEAR,
            "Month-day, as 11-01: the first day without polling.",
        ),
        Field(
            "season.back",
            "Back on",
            Kind.DAY_OF_YEAR,
            "Month-day, as 04-15: the first day with polling again.",
        ),
    ),
    "For a site that is shut down every year, as irrigation in winter.",
    folded=True,
)
_LIFE = Group(
    "Key and retirement",
    (
        Field("key", "Key", hint="Its short name in addresses, files and the API."),
        Field(
            "retired",
            "Retired since",
            Kind.DAY,
            "From this day on it is history only; empty: it is in use.",
        ),
    ),
    folded=True,
)

SITE_GROUPS = (_IDENTITY, _PATH, _WHERE, _SUPPLY, _ACCESS, _SEASON, _LIFE)
# Of a new one the first group is enough; the rest opens when somebody looks.
NEW_SITE_GROUPS = (SITE_GROUPS[0], *(replace(one, folded=True) for one in SITE_GROUPS[1:]))

LOCK_FIELDS = (
    Field("where", "Lock on", hint="A gate, a cabinet; empty it to remove the lock."),
    Field("code", "Code", hint="It is never shown on this page."),
)
