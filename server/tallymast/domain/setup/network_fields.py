"""Fields of the network itself, its gateways and its profiles."""

from tallymast.domain.setup.fields import Choices, Field, Group, Kind

TRANSPORTS: Choices = (
    ("rtu-over-tcp", "RTU over TCP: the bytes go through as they are"),
    ("modbus-tcp", "Modbus/TCP: the gateway translates"),
    ("serial", "serial port of this computer"),
)
PARITIES: Choices = (("none", "none"), ("even", "even"), ("odd", "odd"))

POSITION = (
    Field("latitude", "Latitude", Kind.NUMBER, "North is positive, as 44.10.", "°"),
    Field("longitude", "Longitude", Kind.NUMBER, "West is negative, as -106.30.", "°"),
    Field("altitude_m", "Altitude", Kind.NUMBER, "Above the sea.", "m"),
)

NETWORK_GROUPS = (
    Group(
        "The network",
        (
            Field("title", "Name", hint="It heads every page.", usual="Network"),
            Field(
                "time_zone", "Time zone", hint="What people see, as America/Denver.", usual="UTC"
            ),
        ),
    ),
    Group(
        "Contract day",
        (
            Field(
                "contract_hour",
                "Begins at hour",
                Kind.WHOLE,
                "The 24 h of totals begin then, 0 to 23.",
                "h",
                "0 h",
            ),
            Field(
                "contract_zone",
                "Zone of its clock",
                hint="Where it differs, as UTC-07:00 for standard time all year.",
                usual="the time zone above",
            ),
        ),
    ),
)

GATEWAY_GROUPS = (
    Group(
        "What it is and where it is reached",
        (
            Field("name", "Name", hint="What people call it.", needed=True),
            Field(
                "transport",
                "Transport",
                Kind.CHOICE,
                "Often called raw TCP or TCP server in the gateway's own settings.",
                usual="RTU over TCP",
                words=TRANSPORTS,
            ),
            Field(
                "address", "Address", hint="192.0.2.10:502, or a port as /dev/ttyUSB0.", needed=True
            ),
        ),
    ),
    Group(
        "The channel behind it",
        (
            Field("baud", "Rate", Kind.WHOLE, "Of the radio or serial side.", "baud", "9600 baud"),
            Field(
                "character_bits",
                "Bits of a character",
                Kind.WHOLE,
                "10 for 8N1, 11 with parity or two stop bits.",
                "bits",
                "10 bits",
            ),
            Field("parity", "Parity", Kind.CHOICE, usual="none", words=PARITIES),
            Field(
                "stop_bits",
                "Stop bits",
                Kind.WHOLE_CHOICE,
                usual="1",
                words=(("1", "1"), ("2", "2")),
            ),
            Field(
                "reply_timeout_s",
                "Reply timeout",
                Kind.NUMBER,
                "Direct radio 2.0 s, wired 0.5 s.",
                "s",
                "2.0 s",
            ),
            Field("retries", "Retries", Kind.WHOLE, "Tries after the first.", "", "2"),
            Field(
                "turnaround_ms",
                "Turnaround",
                Kind.NUMBER,
                "How long a station takes before it answers.",
                "ms",
                "20 ms",
            ),
        ),
    ),
    Group(
        "Where it stands",
        POSITION,
        "Distances and bearings of its sites follow from it.",
    ),
    Group(
        "Rarely needed",
        (
            Field(
                "min_gap_ms",
                "Pause between exchanges",
                Kind.NUMBER,
                "Radios want a little air between two exchanges.",
                "ms",
                "50 ms, with Modbus/TCP 0 ms",
            ),
            Field(
                "quarantine_s",
                "Quarantine after a timeout",
                Kind.NUMBER,
                "How long a late answer may still come.",
                "s",
                "3 reply timeouts, at least 5 s",
            ),
            Field("connect_timeout_s", "Connecting takes at most", Kind.NUMBER, "", "s", "5.0 s"),
            Field(
                "miss_limit",
                "Comm fail after",
                Kind.WHOLE,
                "Missed polls in a row, and at least 60 s.",
                "polls",
                "3 polls",
            ),
            Field(
                "probe_ceiling_s",
                "Ask a silent site at least every",
                Kind.NUMBER,
                "The pause doubles up to this.",
                "s",
                "300 s",
            ),
            Field("slow_every_s", "Read slow points every", Kind.NUMBER, "", "s", "3600 s"),
            Field(
                "local_echo",
                "The gateway sends back what it is sent",
                Kind.FLAG,
                "Some two-wire converters do.",
                usual="no",
            ),
            Field("key", "Key", hint="Its short name in addresses, files and the API."),
        ),
        folded=True,
    ),
)

PROFILE_GROUPS = (
    Group(
        "The profile",
        (
            Field("name", "Name", hint="What stations of this make-up are called.", needed=True),
            Field(
                "max_words",
                "Most registers one read may ask",
                Kind.WHOLE,
                "The station's manual says; small ones take 16 to 60.",
                "registers",
                "125 registers",
            ),
            Field(
                "spare",
                "Registers safe to read through",
                Kind.RANGES,
                "One range a line, as input 40 to 47. Only what the station answers for sure.",
            ),
        ),
    ),
    Group(
        "Address switches",
        (
            Field("switches.positions", "Number of switches", Kind.WHOLE, usual="8"),
            Field(
                "switches.offset",
                "The station adds",
                Kind.WHOLE,
                "To the number the switches show.",
                usual="0",
            ),
            Field(
                "switches.on_is",
                "A switch in ON counts",
                Kind.WHOLE_CHOICE,
                usual="yes",
                words=(("1", "yes, ON adds its weight"), ("0", "no, OFF adds its weight")),
            ),
            Field(
                "switches.first",
                "Position 1 weighs",
                Kind.CHOICE,
                usual="least",
                words=(("low", "least (1)"), ("high", "most")),
            ),
        ),
        "How the unit address is set at the station.",
        folded=True,
    ),
    Group(
        "Rarely needed",
        (Field("key", "Key", hint="Its short name in files and the API."),),
        folded=True,
    ),
)
