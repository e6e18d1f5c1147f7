"""Fields of a point: what it is, where it is read, what its number means, when it is an alarm."""

from tallymast.domain.grammar.drafts import CONTACTS, OUTPUTS
from tallymast.domain.model import PointKind
from tallymast.domain.setup.fields import Choices, Field, Group, Kind, Of

KINDS: Choices = (
    ("discrete-input", "discrete input, a contact"),
    ("discrete-output", "discrete output"),
    ("pulse-output", "pulse output: an on-time is written, the station ends it itself"),
    ("analog-input", "analog input"),
    ("analog-output", "analog output"),
    ("totalizer", "totalizer: it only climbs"),
    ("rate", "rate"),
    ("supply-voltage", "supply voltage"),
    ("signal", "signal strength"),
    ("temperature", "temperature"),
    ("counter", "restart counter"),
    ("duration", "duration, as a watchdog time"),
    ("revision", "firmware revision"),
)
LAYOUTS: Choices = (
    ("bool", "on or off (bool)"),
    ("uint16", "16 bits, 0 to 65 535 (uint16)"),
    ("int16", "16 bits with sign (int16)"),
    ("uint32", "32 bits, 2 registers (uint32)"),
    ("int32", "32 bits with sign (int32)"),
    ("uint64", "64 bits, 4 registers (uint64)"),
    ("float32", "floating point, 2 registers (float32)"),
    ("float64", "floating point, 4 registers (float64)"),
    ("bcd16", "four decimal digits (bcd16)"),
    ("bcd32", "eight decimal digits (bcd32)"),
    ("mod10k", "registers of 0 to 9999 each (mod10k)"),
    ("text", "text (text)"),
)
ORDERS: Choices = (("high-first", "high one first"), ("low-first", "low one first"))
COMPARED: Choices = (
    ("==", "is"),
    ("!=", "is not"),
    ("<", "is below"),
    ("<=", "is at most"),
    (">", "is above"),
    (">=", "is at least"),
)
PRIORITIES: Choices = (("urgent", "urgent"), ("high", "high"), ("normal", "normal"))

_NUMBERS = frozenset(PointKind) - CONTACTS - {PointKind.REVISION}
_COUNTING = frozenset((PointKind.TOTALIZER, PointKind.COUNTER, PointKind.RATE))

_WHAT = Group(
    "What it is",
    (
        Field(
            "tag", "Tag", hint="Its short name, as LVL. Another tag is a new point.", needed=True
        ),
        Field("name", "Name", hint="What people call it.", usual="the tag"),
        Field("kind", "Kind", Kind.CHOICE, needed=True, words=KINDS),
    ),
)
_PLACE = Group(
    "Where it is read",
    (
        Field(
            "register",
            "Register",
            Kind.ADDRESS,
            "As input 4, or 30005, or 0x0004 with its table beside.",
            needed=True,
        ),
        Field(
            "layout",
            "Layout",
            Kind.CHOICE,
            "How its words make a number.",
            usual="on or off for a contact, else uint16",
            words=LAYOUTS,
        ),
        Field(
            "bit",
            "Bit of the register",
            Kind.WHOLE,
            "0 to 15, where several contacts share one register.",
        ),
        Field(
            "length",
            "Registers",
            Kind.WHOLE,
            "Only for text and mod10k.",
            usual="as the layout takes",
        ),
        Field("word_order", "Of several words", Kind.CHOICE, usual="high one first", words=ORDERS),
        Field("byte_order", "Of the two bytes", Kind.CHOICE, usual="high one first", words=ORDERS),
        Field(
            "poll",
            "Read",
            Kind.CHOICE,
            usual="at every poll",
            words=(("fast", "at every poll"), ("slow", "once in a long while")),
        ),
    ),
)
_SCALE = Group(
    "Scale and unit",
    (
        Field(
            "raw",
            "These raw numbers",
            Kind.PAIR,
            "A 4-20 mA loop in microamps: 4000, 20000.",
            ends=("lower raw number", "upper raw number"),
        ),
        Field(
            "value",
            "Mean these values",
            Kind.PAIR,
            "Without both the raw number is the value.",
            ends=("lower value", "upper value"),
        ),
        Field("unit", "Unit", hint="As m, kPa, m³/h, V."),
        Field(
            "loop",
            "Current loop",
            Kind.CHOICE,
            "Then the limits of NAMUR NE 43 tell a broken loop.",
            usual="none",
            words=(("4-20mA", "4-20 mA, read in microamps"),),
        ),
    ),
    fits=_NUMBERS,
)
_CONTACT = Group(
    "Words of the contact",
    (
        Field(
            "words",
            "What 0 and 1 mean",
            Kind.TWO_WORDS,
            "As shut and open.",
            usual="off, on",
            ends=("word for 0", "word for 1"),
        ),
        Field("alarm_when", "It is an alarm when", hint="One of the two words.", usual="never"),
    ),
    fits=CONTACTS,
)
_LIMITS = Group(
    "Limits",
    (
        Field("limits.low_low", "Low low", Kind.NUMBER),
        Field("limits.low", "Low", Kind.NUMBER),
        Field("limits.high", "High", Kind.NUMBER),
        Field("limits.high_high", "High high", Kind.NUMBER),
        Field(
            "deadband",
            "Deadband",
            Kind.NUMBER,
            "How far it must come back before an alarm clears.",
            usual="0",
        ),
    ),
    "In the point's own unit; empty: no such limit.",
    fits=_NUMBERS,
)
_MOVES = Group(
    "Other alarms of a value",
    (
        Field(
            "deviation.from",
            "Compared with",
            Kind.CHOICE,
            "A second instrument for the same thing, in the same unit.",
            usual="nothing",
            of=Of.TAGS,
        ),
        Field("deviation.high", "They may part by", Kind.NUMBER, "In the point's own unit."),
        Field("rate_limit.rise", "Rises at most", Kind.NUMBER, "In its own unit per hour."),
        Field("rate_limit.fall", "Falls at most", Kind.NUMBER, "In its own unit per hour."),
        Field(
            "rate_limit.over_s",
            "Rate judged over",
            Kind.NUMBER,
            "Longer than waves last, shorter than a leak may go on.",
            "s",
            "600 s",
        ),
    ),
    folded=True,
    fits=_NUMBERS - _COUNTING | {PointKind.RATE},
)
_DELAYS = Group(
    "Alarm delays and priority",
    (
        Field(
            "on_delay_s",
            "Raised after",
            Kind.NUMBER,
            "And two readings.",
            "s",
            "by the site's class",
        ),
        Field("off_delay_s", "Cleared after", Kind.NUMBER, "", "s", "by the site's class"),
        Field("priority", "Priority", Kind.CHOICE, usual="normal", words=PRIORITIES),
    ),
    folded=True,
)
_COUNTS = Group(
    "Counting and volume",
    (
        Field(
            "modulus",
            "Starts again at",
            Kind.WHOLE,
            "The count after its highest number.",
            usual="what its layout holds",
        ),
        Field(
            "max_rate",
            "Never faster than",
            Kind.NUMBER,
            "It parts a rollover from a restart.",
            "counts/s",
        ),
        Field(
            "bidirectional",
            "Counts both ways",
            Kind.FLAG,
            "A totalizer that also counts down, as where flow may turn round.",
            usual="no",
        ),
        Field("k_factor", "Pulses per volume", Kind.NUMBER, "The K-factor, or the next one."),
        Field("volume_per_pulse", "Volume per pulse", Kind.NUMBER, "As 0.1."),
        Field("volume_unit", "Unit of volume", hint="As m³ or gal."),
    ),
    fits=_COUNTING,
)
_OUTPUT = Group(
    "The output",
    (
        Field("write.register", "Written at", Kind.ADDRESS, "As coil 0, or holding 30."),
        Field(
            "write.function",
            "By function",
            Kind.WHOLE,
            "5 or 15 for coils, 6 or 16 for holding registers.",
            usual="15 for a coil, 16 for registers",
        ),
        Field(
            "fail_safe.state",
            "Without polls the station goes",
            Kind.CHOICE,
            "By its own watchdog.",
            usual="not known",
            words=(("off", "off"), ("on", "on"), ("hold", "nowhere, it holds")),
        ),
        Field("fail_safe.after_s", "It does so after", Kind.NUMBER, "Without a poll.", "s"),
        Field(
            "feedback.tag",
            "Its effect is proven by",
            Kind.CHOICE,
            "An input: read-back alone proves a register, not a pump.",
            usual="nothing",
            of=Of.TAGS,
        ),
        Field(
            "feedback.within_s",
            "Proven within",
            Kind.NUMBER,
            "Pump 30 s, valve or gate 120 s.",
            "s",
            "30 s",
        ),
        Field(
            "interlock.tag",
            "Only operated while",
            Kind.CHOICE,
            "A convenience, never in place of an interlock in the field.",
            usual="always",
            of=Of.TAGS,
        ),
        Field("interlock.is", "Interlock compares", Kind.CHOICE, usual="is", words=COMPARED),
        Field("interlock.value", "Interlock value", Kind.NUMBER, "For a contact 0 or 1."),
        Field("auto", "Selector in Auto is read by", Kind.CHOICE, usual="no point", of=Of.TAGS),
        Field(
            "min_off_s",
            "Stays off at least",
            Kind.NUMBER,
            "The motor's maker decides.",
            "s",
            "300 s with a selector or a contact as proof, else none",
        ),
        Field(
            "starts_per_hour",
            "Starts at most",
            Kind.NUMBER,
            "The motor's maker decides.",
            "starts/h",
            "6 with a selector or a contact as proof, else any",
        ),
        Field("seconds_per_count", "One count of a pulse lasts", Kind.NUMBER, "As 0.1.", "s"),
        Field(
            "max_s",
            "Longest pulse",
            Kind.NUMBER,
            "A longer on-time is refused; 15 min are offered, or less.",
            "s",
            "60 min",
        ),
        Field(
            "set_range",
            "Set-points from",
            Kind.PAIR,
            "In the point's own unit; outside it an order is refused.",
            usual="the scale's ends",
            ends=("lowest set-point", "highest set-point"),
        ),
        Field(
            "set_rate",
            "A set-point moves at most",
            Kind.NUMBER,
            "Within a minute, in the point's own unit.",
            "per minute",
            "at once",
        ),
    ),
    fits=OUTPUTS,
)

POINT_GROUPS = (_WHAT, _PLACE, _SCALE, _CONTACT, _LIMITS, _MOVES, _DELAYS, _COUNTS, _OUTPUT)
