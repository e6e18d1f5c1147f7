"""What each alarm says of itself: why it is one, what happens if nobody responds, what to do.

An alarm needs a response of the operator's; what needs none is information and no alarm (ANSI/ISA-
18.2, secondary restatement). The words are ours, in plain language, and no work instruction: local
procedures, lock-out and the rules for confined and classified places come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass

from tallymast.domain.alarms.model import Kind


@dataclass(frozen=True, slots=True)
class Wording:
    """Rationale, consequence and response; ``{name}`` stands for the point's or site's name."""

    rationale: str
    consequence: str
    response: str

    def of(self, name: str) -> tuple[str, str, str]:
        """Return the three sentences for a name."""
        return tuple(  # type: ignore[return-value]
            text.replace("{name}", name)
            for text in (self.rationale, self.consequence, self.response)
        )


_LOOK = "Compare with the neighbouring values and the trend"

WORDINGS: Mapping[Kind, Wording] = {
    Kind.LOW_LOW: Wording(
        "{name} is so low that little time is left.",
        "It may run empty or stop, and what draws from it may be harmed.",
        f"{_LOOK}; stop what draws from it or bring supply up, and send somebody if it does not"
        " turn.",
    ),
    Kind.LOW: Wording(
        "{name} is lower than it should be, and there is still time to act.",
        "It goes on to its lowest limit.",
        f"{_LOOK}; check that what fills or drives it runs as it should.",
    ),
    Kind.HIGH: Wording(
        "{name} is higher than it should be, and there is still time to act.",
        "It goes on to its highest limit.",
        f"{_LOOK}; check that what fills or drives it stops as it should.",
    ),
    Kind.HIGH_HIGH: Wording(
        "{name} is so high that little time is left.",
        "It may overflow or burst, with harm to people, water or equipment.",
        f"{_LOOK}; stop what fills or drives it, and send somebody if it does not turn.",
    ),
    Kind.STATE: Wording(
        "{name} is in the state that was set up to call.",
        "What it guards goes unattended.",
        "Find out whether somebody is there; if nobody is, send somebody to look.",
    ),
    Kind.DEVIATION: Wording(
        "{name} and the point it is compared with show different things.",
        "One of the two is wrong, and nobody knows which is to be relied on.",
        "Gauge by hand before relying on either; then look at the instrument that is off.",
    ),
    Kind.RATE: Wording(
        "{name} changes faster than it should: a break, an open gate, or something that runs away.",
        "Its limits may be reached within less time than a visit takes.",
        f"{_LOOK}; close or stop what may cause it, and send somebody if it does not slow down.",
    ),
    Kind.TOTALIZER: Wording(
        "The count of {name} went back without a reason that is known, or counts too fast.",
        "The volume of that day cannot be relied on, and the record may be disputed.",
        "Read the meter by hand and note both counts; check its wiring, then reset this alarm.",
    ),
    Kind.PERMIT: Wording(
        "What the permit {name} allows in its period is taken.",
        "What is taken from now on is taken without leave, and may have to be reported.",
        "Stop or divert what draws; read the meter by hand, and tell whoever answers for it.",
    ),
    Kind.FEEDBACK: Wording(
        "{name} and what proves its effect disagree: it did not start, or it did not stop.",
        "What it should drive stands still, or goes on running with nobody watching it.",
        "Look at the selector, the overload and the supply there; send somebody. An output that"
        " shows off makes nothing safe to touch.",
    ),
    Kind.ORDER: Wording(
        "The newest order to {name} did not end as ordered.",
        "The output may stand otherwise than somebody believes.",
        "Read what the output shows now, look at the order's history, and decide anew.",
    ),
    Kind.TEST: Wording(
        "It proves that an alarm reaches people.",
        "Nothing is wrong. Where nobody gets it, a real one would not be noticed either.",
        "Acknowledge it; if it did not reach you the usual way, tell whoever looks after this.",
    ),
    Kind.COMM_FAIL: Wording(
        "{name} has not answered for longer than its use allows.",
        "Nobody sees what happens there, and its outputs may fall back as set.",
        "Look whether neighbours answer and what its supply was; plan a visit, or wait where it"
        " usually returns by itself.",
    ),
    Kind.QUALITY: Wording(
        "{name} gives no valid value, though it is watched.",
        "Its limits cannot be judged; it would not call.",
        "Look what its station reports; check the register, the instrument and its wiring.",
    ),
    Kind.LOOP_FAULT: Wording(
        "The current loop of {name} is open, shorted, or its instrument signals a failure.",
        "The value is unknown and its limits cannot be judged.",
        "Measure by hand before relying on it; check fuse, terminals and instrument.",
    ),
    Kind.FORECAST: Wording(
        "The battery of {name} goes down, and its load may be disconnected within days.",
        "The station goes dark; values, alarms and outputs are gone until it is charged again.",
        "Plan the visit before that day; the site's sheet says what to check and bring.",
    ),
    Kind.GATEWAY: Wording(
        "The gateway {name} cannot be used, so that no site behind it is seen.",
        "Every site behind it is unknown, and outputs there may fall back as set.",
        "Check its power and the network to it first, the radio after that.",
    ),
    Kind.STORAGE: Wording(
        "Readings cannot be stored.",
        "What is not stored soon is lost, and orders are refused.",
        "Free disk space, or bring the database back; polling goes on meanwhile.",
    ),
    Kind.POLLER: Wording(
        "Nobody polls the sites any more.",
        "Every value grows old, no alarm is judged, and outputs may fall back as set.",
        "Restart the polling service and look at its log.",
    ),
}

PERMIT_AHEAD = Wording(
    "At the pace of the last weeks the permit {name} may be used up before its period ends.",
    "Taking has to stop then, perhaps when it is needed most.",
    "Look at the permit's range of days; spread what is left over them, or ask for more in time.",
)
SUPPLY_WARN = Wording(
    "The battery of {name} is lower than a night should leave it.",
    "It may be spent within some nights, and the station then goes dark.",
    "Look at its charge of the last days; plan a visit if it was not charged.",
)
SUPPLY_URGENT = Wording(
    "The battery of {name} is near the voltage at which its load is disconnected.",
    "The station goes dark, perhaps this night.",
    "Go soon: check panel, controller and fuse, and take a battery along.",
)
SUPPLY_MAINS = Wording(
    "{name} runs on its battery: charger or mains are lost.",
    "It goes dark when the battery is spent.",
    "Ask whether the area has power; if it has, check charger and fuse.",
)
