"""The nouns everything else speaks of: networks and points, layouts, polls and states.

Values only. Times are UTC milliseconds (``*_ms``) unless the name says otherwise; what a
person may write is checked in network_file.py, not here.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from enum import IntEnum, IntFlag, StrEnum
from typing import Any


class PointKind(StrEnum):
    """What a point is at its site."""

    DISCRETE_INPUT = "discrete-input"
    DISCRETE_OUTPUT = "discrete-output"
    PULSE_OUTPUT = "pulse-output"
    ANALOG_INPUT = "analog-input"
    ANALOG_OUTPUT = "analog-output"
    TOTALIZER = "totalizer"
    RATE = "rate"
    SUPPLY_VOLTAGE = "supply-voltage"
    SIGNAL = "signal"
    TEMPERATURE = "temperature"
    COUNTER = "counter"
    DURATION = "duration"
    REVISION = "revision"


class Table(StrEnum):
    """The four Modbus tables."""

    COIL = "coil"
    DISCRETE = "discrete"
    INPUT = "input"
    HOLDING = "holding"

    @property
    def holds_bits(self) -> bool:
        """Whether an address of this table is one bit, not a 16-bit register."""
        return self in (Table.COIL, Table.DISCRETE)


class WordLayout(StrEnum):
    """How words make a value."""

    BOOL = "bool"
    UINT16 = "uint16"
    INT16 = "int16"
    UINT32 = "uint32"
    INT32 = "int32"
    UINT64 = "uint64"
    FLOAT32 = "float32"
    FLOAT64 = "float64"
    BCD16 = "bcd16"
    BCD32 = "bcd32"
    MOD10K = "mod10k"
    TEXT = "text"


class Order(StrEnum):
    """Which part comes first: the high one (Modbus inside a word) or the low one."""

    HIGH_FIRST = "high-first"
    LOW_FIRST = "low-first"


class PollClass(StrEnum):
    """Read at every poll, or riding on one poll in a long while."""

    FAST = "fast"
    SLOW = "slow"


class Transport(StrEnum):
    """How a gateway is reached."""

    RTU_OVER_TCP = "rtu-over-tcp"
    MODBUS_TCP = "modbus-tcp"
    SERIAL = "serial"


class Parity(StrEnum):
    """Parity of a serial port."""

    NONE = "none"
    EVEN = "even"
    ODD = "odd"


class SiteClass(StrEnum):
    """What a site is for; it chooses default alarm delays."""

    CONTROL = "control"
    MONITORING = "monitoring"
    DUTY_CYCLED = "duty-cycled"


class Priority(StrEnum):
    """How soon an alarm wants a person."""

    URGENT = "urgent"
    HIGH = "high"
    NORMAL = "normal"


class SupplyKind(StrEnum):
    """Where a site's power comes from."""

    SOLAR = "solar"
    MAINS_WITH_BATTERY = "mains-with-battery"
    MAINS = "mains"
    PRIMARY = "primary"


class Chemistry(StrEnum):
    """What the battery is made of."""

    FLOODED = "flooded"
    AGM = "agm"
    GEL = "gel"
    LIFEPO4 = "lifepo4"
    LITHIUM_PRIMARY = "lithium-primary"


@dataclass(frozen=True, slots=True)
class Limits:
    """Alarm limits in the point's own unit; absent ones are None."""

    low_low: float | None = None
    low: float | None = None
    high: float | None = None
    high_high: float | None = None


@dataclass(frozen=True, slots=True)
class Deviation:
    """Another point of the same site that shows the same, and how far the two may part."""

    tag: str
    high: float  # in the point's own unit


@dataclass(frozen=True, slots=True)
class RateLimit:
    """How fast a value may change, in its own unit per hour; absent sides are None."""

    rise: float | None = None
    fall: float | None = None  # positive: so fast it may go down
    over_s: float = 600.0  # ours: the span it is judged over; waves and steps of a gauge are short


@dataclass(frozen=True, slots=True)
class WriteTarget:
    """Where an output is written and by which Modbus function (5, 6, 15 or 16)."""

    table: Table
    register: int
    function: int


@dataclass(frozen=True, slots=True)
class FailSafe:
    """What the station does with an output by itself after ``after_s`` without a poll."""

    state: str  # "off", "on" or "hold"
    after_s: float


@dataclass(frozen=True, slots=True)
class Feedback:
    """The point that proves an output's effect, and how soon [s]."""

    tag: str
    within_s: float


@dataclass(frozen=True, slots=True)
class Interlock:
    """A condition another point must hold: ``tag`` ``comparison`` ``value``."""

    tag: str
    comparison: str  # == != < <= > >=
    value: float


@dataclass(frozen=True, slots=True)
class Point:
    """One measured or commanded thing at a site, with every default filled in.

    ``register`` is zero-based as on the wire. ``raw`` and ``value`` are the two pairs of a
    straight line; None means the value is the raw number.
    """

    tag: str
    name: str
    kind: PointKind
    table: Table
    register: int
    layout: WordLayout
    bit: int | None = None
    length: int = 1  # registers the value takes (1 for a coil or discrete)
    word_order: Order = Order.HIGH_FIRST
    byte_order: Order = Order.HIGH_FIRST
    raw: tuple[float, float] | None = None
    value: tuple[float, float] | None = None
    unit: str = ""
    loop: str | None = None
    poll: PollClass = PollClass.FAST
    limits: Limits = Limits()
    deadband: float = 0.0
    deviation: Deviation | None = None
    rate_limit: RateLimit | None = None
    on_delay_s: float | None = None
    off_delay_s: float | None = None
    priority: Priority = Priority.NORMAL
    modulus: int | None = None
    max_rate: float | None = None
    bidirectional: bool = False  # a totalizer that also counts down
    k_factor: float | None = None
    volume_unit: str | None = None
    volume_per_pulse: float | None = None
    words: tuple[str, str] | None = None
    alarm_when: str | None = None
    write: WriteTarget | None = None
    fail_safe: FailSafe | None = None
    feedback: Feedback | None = None
    interlock: Interlock | None = None
    auto: str | None = None
    min_off_s: float | None = None
    starts_per_hour: float | None = None
    seconds_per_count: float | None = None
    max_s: float | None = None
    set_range: tuple[float, float] | None = None  # of a set-point, in the point's own unit
    set_rate: float | None = None  # its own unit per minute


@dataclass(frozen=True, slots=True)
class Supply:
    """How a site is powered; voltages [V], capacity [Ah], panel [W]."""

    kind: SupplyKind
    chemistry: Chemistry | None = None
    nominal_v: float = 12.0
    capacity_ah: float | None = None
    installed: date | None = None
    disconnect_v: float | None = None
    reconnect_v: float | None = None
    radio_minimum_v: float | None = None
    panel_w: float | None = None
    panel_tilt: float | None = None
    panel_azimuth: float | None = None
    meter_offset_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Lock:
    """A lock on the way to a site or at it; ``code`` opens it, empty: ask the office.

    The code is left out of the object's own text, so that no log line can carry it.
    """

    where: str
    code: str = field(default="", repr=False)


@dataclass(frozen=True, slots=True)
class Switches:
    """How a station's unit address is set by small switches.

    Attributes:
        positions: how many switches there are.
        offset: what the station adds to the number they show.
        on_is: the bit a switch in its ON position stands for, 1 or 0.
        first: whether position 1 weighs least (``low``) or most (``high``).

    """

    positions: int = 8
    offset: int = 0
    on_is: int = 1
    first: str = "low"


@dataclass(frozen=True, slots=True)
class Season:
    """The part of every year in which a site is out of season, as (month, day) each.

    ``out_from`` is its first day without polling, ``back`` the first day with polling again; the
    span may lie over the turn of the year. 29 February is 1 March in other years.
    """

    out_from: tuple[int, int]
    back: tuple[int, int]


@dataclass(frozen=True, slots=True)
class Gateway:
    """The radio or serial device server through which a group of sites is reached."""

    key: str
    name: str
    transport: Transport
    address: str
    baud: int = 9600
    character_bits: int = 10
    parity: Parity = Parity.NONE
    stop_bits: int = 1
    turnaround_ms: float = 20.0
    reply_timeout_s: float = 2.0
    retries: int = 2
    min_gap_ms: float = 50.0
    quarantine_s: float = 6.0
    local_echo: bool = False
    connect_timeout_s: float = 5.0
    miss_limit: int = 3
    probe_ceiling_s: float = 300.0
    slow_every_s: float = 3600.0
    latitude: float | None = None
    longitude: float | None = None
    altitude_m: float | None = None


@dataclass(frozen=True, slots=True)
class Profile:
    """What stations of one make-up have in common."""

    key: str
    name: str
    max_words: int
    spare: tuple[tuple[Table, int, int], ...]  # first and last register, inclusive
    points: tuple[Point, ...]
    switches: Switches = Switches()


@dataclass(frozen=True, slots=True)
class Site:
    """One remote station; ``points`` are its effective ones, profile and own merged.

    ``reply_timeout_s``, ``retries``, ``turnaround_ms`` and ``miss_limit`` are effective too:
    the site's own, else what its repeater and gateway give.
    """

    key: str
    name: str
    gateway: str
    unit: int
    profile: str
    points: tuple[Point, ...]
    max_words: int
    spare: tuple[tuple[Table, int, int], ...]
    reply_timeout_s: float
    retries: int
    turnaround_ms: float
    miss_limit: int
    area: str = ""
    poll_every_s: float = 60.0
    via: str | None = None
    in_service: bool = True
    site_class: SiteClass = SiteClass.MONITORING
    latitude: float | None = None
    longitude: float | None = None
    altitude_m: float | None = None
    access: str = ""
    road: str = ""
    coverage: str = ""
    drawing: str = ""
    cautions: tuple[str, ...] = ()
    supply: Supply | None = None
    locks: tuple[Lock, ...] = ()
    season: Season | None = None
    retired: date | None = None  # from this day on it is history only

    def point(self, tag: str) -> Point | None:
        """Return the point with this tag, or None."""
        return next((point for point in self.points if point.tag == tag), None)

    def point_of(self, kind: PointKind) -> Point | None:
        """Return the first point of this kind, or None."""
        return next((point for point in self.points if point.kind is kind), None)


@dataclass(frozen=True, slots=True)
class Network:
    """A whole network with every default filled in; ``retired`` sites are history only."""

    title: str
    time_zone: str
    contract_hour: int
    contract_zone: str
    gateways: tuple[Gateway, ...]
    profiles: tuple[Profile, ...]
    sites: tuple[Site, ...]
    retired: tuple[Site, ...] = ()


# --- what is read from a site, and how its words are understood ------------------------


@dataclass(frozen=True, slots=True)
class Block:
    """One read request: ``count`` addresses of ``table`` from ``start`` on."""

    table: Table
    start: int
    count: int
    poll: PollClass = PollClass.FAST

    @property
    def words(self) -> int:
        """16-bit words its answer is kept in; bits are packed, the lowest address in bit 0."""
        return (self.count + 15) // 16 if self.table.holds_bits else self.count


@dataclass(frozen=True, slots=True)
class LayoutPoint:
    """Where a point's value lies in its block's words, and how to read it.

    ``offset`` counts addresses from the block's start: registers, or bits for coils and
    discretes.
    """

    point_id: int
    tag: str
    kind: PointKind
    block: int
    offset: int
    layout: WordLayout
    bit: int | None
    length: int
    word_order: Order
    byte_order: Order
    raw: tuple[float, float] | None
    value: tuple[float, float] | None
    unit: str
    loop: str | None = None


@dataclass(frozen=True, slots=True)
class SiteLayout:
    """What a site's polls read from some day on; immutable, so old words keep their meaning."""

    id: int
    site_id: int
    blocks: tuple[Block, ...]
    points: tuple[LayoutPoint, ...]


# --- what came back -------------------------------------------------------------------


class Outcome(IntEnum):
    """How a poll ended; the numbers are stored."""

    FIRST_TRY = 0  # every exchange answered at its first try
    RETRIED = 1  # answered, after at least one retry or with a block missing
    NO_ANSWER = 2
    GARBLED = 3
    GATEWAY_LOST = 4  # not asked of the site: in none of asked, answered, missed

    @property
    def is_answered(self) -> bool:
        """Whether the station answered at least one exchange."""
        return self in (Outcome.FIRST_TRY, Outcome.RETRIED)

    @property
    def is_missed(self) -> bool:
        """Whether the poll counts against the site."""
        return self in (Outcome.NO_ANSWER, Outcome.GARBLED)


class PollFlag(IntFlag):
    """What else is known of a poll; the numbers are stored."""

    NONE = 0
    PROBE = 1  # asked while in comm fail
    DEMAND = 2  # asked by a person
    SUSPECT = 4  # an answer's time is uncertain by more than one poll period
    REFUSED = 8  # at least one exchange drew an exception answer; ``code`` says which
    MAINTENANCE = 16  # a person was working there: statistics apart


@dataclass(frozen=True, slots=True)
class Poll:
    """One visit to a site, as it is recorded.

    Attributes:
        at_ms: when the last answer came, or when the poll was given up.
        tries: attempts the hardest exchange took.
        answer_ms: from first byte out to last byte in of the last answered exchange [ms].
        got: bit n set: block n of the layout was answered.
        code: the last Modbus exception code answered, else 0.
        words: the answered blocks' words in block order, each unsigned 16 bit, high byte first.

    """

    site_id: int
    at_ms: int
    outcome: Outcome
    flags: PollFlag
    tries: int
    answer_ms: float | None
    layout_id: int
    got: int
    code: int
    words: bytes


class SiteStatus(IntEnum):
    """What we know of a site's contact; the numbers are stored, ``word`` goes outside."""

    NEVER_ANSWERED = 0
    IN_SERVICE = 1
    COMM_FAIL = 2
    MAINTENANCE = 3
    NOT_POLLED = 4
    UNREACHABLE = 5

    @property
    def word(self) -> str:
        """The word the API uses."""
        return self.name.lower().replace("_", "-")


class GatewayStatus(IntEnum):
    """What we know of a gateway; the numbers are stored."""

    STARTING = 0
    CONNECTED = 1
    UNREACHABLE = 2
    MUTE = 3  # accepted, but no site behind it answers

    @property
    def word(self) -> str:
        """The word the API uses."""
        return self.name.lower()


@dataclass(frozen=True, slots=True)
class HourCounts:
    """Polls of one clock hour so far; asked = first_try + retried + no_answer + garbled."""

    first_try: int = 0
    retried: int = 0
    no_answer: int = 0
    garbled: int = 0
    refused: int = 0  # of the answered ones
    gateway_lost: int = 0  # apart from asked

    @property
    def asked(self) -> int:
        """Polls asked of the site."""
        return self.first_try + self.retried + self.no_answer + self.garbled

    @property
    def answered(self) -> int:
        """Polls it answered."""
        return self.first_try + self.retried

    @property
    def missed(self) -> int:
        """Polls it missed."""
        return self.no_answer + self.garbled


@dataclass(frozen=True, slots=True)
class SiteState:
    """The newest that is known of a site; ``block_words[n]`` was true at ``block_ms[n]``."""

    site_id: int
    status: SiteStatus
    since_ms: int
    layout_id: int
    last_poll_ms: int | None = None
    last_answer_ms: int | None = None
    block_words: tuple[bytes | None, ...] = ()
    block_ms: tuple[int | None, ...] = ()
    suspect_blocks: int = 0  # bit n set: block n's newest answer is suspect
    missed_in_row: int = 0
    good_in_row: int = 0
    first_miss_ms: int | None = None
    probe_s: float | None = None  # pause to the next probe while in comm fail
    hour_ms: int = 0
    hour_counts: HourCounts = HourCounts()
    code: int = 0  # exception code of the last poll, else 0


@dataclass(frozen=True, slots=True)
class GatewayState:
    """The newest that is known of a gateway; ``busy_s`` is airtime by purpose since start."""

    gateway_id: int
    status: GatewayStatus
    since_ms: int
    cycle_s: float | None = None
    airtime_used: float | None = None  # share of the last minutes, 0..1
    exchanges: int = 0
    lateness_s: float = 0.0
    quarantine_s: float = 0.0
    busy_s: Mapping[str, float] = field(default_factory=dict)
    sentence: str = ""  # what is wrong, for people; empty when nothing is
    holds_s: float | None = None  # the poll period the channel can hold, where it is too full
    load: float | None = None  # airtime asked for, as a share of all there is
    even_s: float | None = None  # so often all sites could be polled, were they polled alike
    cost_s: float | None = None  # airtime a usual site's poll takes
    site_share: Mapping[int, float] = field(default_factory=dict)  # of airtime lately, by site
    strangers: int = 0  # answers nobody here asked for, since start
    cycle_day_s: tuple[float, float] | None = None  # shortest and longest cycle of the day


@dataclass(frozen=True, slots=True)
class WireLine:
    """Bytes that went one way on a channel, and what they mean; ``way`` is sent or heard."""

    gateway_id: int
    site_id: int | None
    at_ms: int
    way: str
    body: bytes
    meaning: str


@dataclass(frozen=True, slots=True)
class PollDone:
    """What the poller hands up after each poll: the fact, and what it makes of the site."""

    poll: Poll
    state: SiteState


# --- what the poller works from -------------------------------------------------------


class Act(StrEnum):
    """What people have said of a site for a while; the words are those of its episodes."""

    NONE = ""
    MAINTENANCE = "maintenance"  # polled, alarms held, statistics apart
    NOT_POLLED = "not-polled"  # polling ended on purpose


@dataclass(frozen=True, slots=True)
class SitePlan:
    """One site as the poller sees it.

    Attributes:
        refused: tags of points whose registers the station has refused; the layout is without
            them.

    """

    site_id: int
    site: Site
    layout: SiteLayout
    via_site_id: int | None = None
    act: Act = Act.NONE
    refused: tuple[str, ...] = ()

    @property
    def is_polled(self) -> bool:
        """Whether anybody asks it at all."""
        is_used = self.site.in_service and self.site.retired is None
        return is_used and self.act is not Act.NOT_POLLED


@dataclass(frozen=True, slots=True)
class GatewayPlan:
    """One gateway and its sites as the poller sees them."""

    gateway_id: int
    gateway: Gateway
    sites: tuple[SitePlan, ...]


@dataclass(frozen=True, slots=True)
class PollPlan:
    """Everything that is polled, frozen at one revision of the network.

    ``retired`` sites are polled by nobody; each with the gateway it lay behind.
    """

    revision_id: int
    gateways: tuple[GatewayPlan, ...]
    retired: tuple[tuple[int, SitePlan], ...] = ()


class JobState(StrEnum):
    """Where a piece of work that somebody asked for stands."""

    WAITING = "waiting"
    RUNNING = "running"
    DONE = "done"
    FAILED = "failed"


@dataclass(frozen=True, slots=True)
class Job:
    """Work asked for by a person or a script."""

    id: int
    kind: str  # "poll", "desk-test", …
    site_id: int | None
    gateway_id: int | None
    actor: str
    asked_ms: int
    state: JobState = JobState.WAITING
    progress: float = 0.0
    result: str = ""  # a sentence
    done_ms: int | None = None
    params: Mapping[str, Any] = field(default_factory=dict)


class Quality(StrEnum):
    """How far a reading may be believed; derived when read, never stored."""

    GOOD = "good"
    SUSPECT = "suspect"
    STALE = "stale"
    NONE = "none"


@dataclass(frozen=True, slots=True)
class Reading:
    """A value with its time and quality.

    ``raw`` is the decoded number (or text) before scaling; ``value`` the engineering value;
    both None where there is none. ``reason`` says in words why the quality is not good.
    """

    tag: str
    value: float | int | bool | str | None
    raw: float | int | bool | str | None
    quality: Quality
    at_ms: int | None
    reason: str = ""
