"""Puts the kept world into a database by the storage's own means: rows in every table."""

from fractions import Fraction

from sqlalchemy import Connection

from tallymast.domain import network_file
from tallymast.domain.alarms.model import Alarm, AlarmState, Condition, Entry, Event, Kind, Standing
from tallymast.domain.alarms.model import Step as AlarmStep
from tallymast.domain.audit import Act
from tallymast.domain.commissioning import steps
from tallymast.domain.health.diagnosis.experience import Verdict
from tallymast.domain.health.diagnosis.lasting import Step, places
from tallymast.domain.health.diagnosis.model import About, At, ChartOf, Diagnosis, Said, Shown
from tallymast.domain.model import (
    GatewayState,
    GatewayStatus,
    JobState,
    PollPlan,
    Priority,
    SiteState,
    SiteStatus,
    WireLine,
)
from tallymast.domain.orders.model import OrderKind, OrderState, Told, Wanted
from tallymast.domain.people import Role
from tallymast.domain.rounds import KeptLine, KeptRound
from tallymast.domain.telling.model import (
    Contact,
    Delivery,
    MessageKind,
    NewMessage,
    Occurrence,
    Try,
    TryOutcome,
    Way,
)
from tallymast.domain.totals.adjustments import Adjustment
from tallymast.domain.totals.balance import AreaTable
from tallymast.domain.totals.factors import k_factor
from tallymast.domain.totals.hand_index import IndexReading
from tallymast.domain.totals.model import CountStep, StepKind
from tallymast.domain.totals.model import Step as CountedStep
from tallymast.domain.totals.month_figures import Figures
from tallymast.domain.totals.permits import Period, Permit
from tallymast.domain.totals.segments import Segment
from tallymast.storage import (
    adjustments,
    alarm_rows,
    alarms,
    audit,
    balances,
    contacts,
    count_events,
    drafts,
    episodes,
    finding_words,
    findings,
    hand_readings,
    hardware,
    hours,
    index_readings,
    jobs,
    k_factors,
    keys,
    messages,
    month_closes,
    network,
    notes,
    orders,
    people,
    permits,
    proof_photos,
    proof_steps,
    proofs,
    rounds,
    schema,
    setting,
    states,
    tag_outs,
    tasks,
    volume_hours,
    wire,
)
from tallymast.storage.batch import mark_hours, store_polls
from tallymast.storage.changes import insert_many
from tallymast.storage.engine import Database

from .world import CHANGED_MS, DAY_0, NETWORK, NETWORK_LATER, NOW_MS, polls, visits


def fill(database: Database) -> None:
    """Put everything in, and close what is over."""
    for text, at_ms in ((NETWORK, DAY_0), (NETWORK_LATER, CHANGED_MS)):
        with database.writing() as conn:
            plan = _network(conn, text, at_ms)
            _polls(conn, plan, later=at_ms == CHANGED_MS)
    hours.close_hours(database, NOW_MS)
    with database.writing() as conn:
        first, other = (site.site_id for gateway in plan.gateways for site in gateway.sites)
        _states(conn, plan)
        _judgement(conn, first, other)
        _findings(conn, first)
        _people(conn)
        _life(conn, first, plan)
        _proofs(conn, plan)
        _alarms(conn, plan)
        _orders(conn, first)
        _told(conn, plan)
        _volumes(conn, plan)
        mark_hours(conn, [(first, DAY_0)])


def _network(conn: Connection, text: str, at_ms: int) -> PollPlan:
    written, whole = network_file.read(text, "kept.toml")
    network.store_network(conn, written, whole, actor="local", source="file", at_ms=at_ms)
    return network.load_plan(conn, whole)


def _polls(conn: Connection, plan: PollPlan, *, later: bool) -> None:
    for gateway in plan.gateways:
        for site in gateway.sites:
            some = [one for one in visits(site.site.key) if (one.at_ms >= CHANGED_MS) is later]
            store_polls(conn, polls(some, site.site_id, site.layout))


def _states(conn: Connection, plan: PollPlan) -> None:
    (gateway,) = plan.gateways
    known = [
        SiteState(
            site.site_id,
            SiteStatus.IN_SERVICE,
            DAY_0,
            site.layout.id,
            NOW_MS,
            NOW_MS,
            tuple(b"\x2e\xe0" * block.words for block in site.layout.blocks),
            tuple(NOW_MS for _ in site.layout.blocks),
        )
        for site in gateway.sites
    ]
    air = GatewayState(
        gateway.gateway_id, GatewayStatus.CONNECTED, DAY_0, 6.25, busy_s={"poll": 12.5}
    )
    states.store_states(conn, known, [air])
    line = WireLine(gateway.gateway_id, known[0].site_id, NOW_MS, "sent", b"\3\4", "A question")
    wire.store(conn, [line])


def _judgement(conn: Connection, site_id: int, other: int) -> None:
    episodes.open_episode(
        conn,
        "maintenance",
        from_ms=NOW_MS - 60_000,
        site_id=other,
        reason="Fuse changed",
        planned_end_ms=NOW_MS + 60_000,
        actor="local",
    )
    said = {"at_ms": NOW_MS, "actor": "local", "kind": "visit"}
    old = notes.add(conn, site_id, text="Gauge read 2.48 m", **said)  # type: ignore[arg-type]
    notes.add(conn, site_id, text="Gauge 2.84 m", replaces_id=old.id, **said)  # type: ignore[arg-type]
    asked = jobs.ask(conn, "poll", site_id=site_id, actor="local", at_ms=NOW_MS)
    jobs.add_rows(conn, asked.id, [(0, {"unit": 3, "heard": "answer"})])
    jobs.update(conn, asked.id, JobState.DONE, 1.0, "Answered.", NOW_MS + 1)
    sent = {"actor": "local", "account_id": None, "revision_id": 2, "at_ms": NOW_MS}
    drafts.add(conn, "tables", "sites.csv", {"rows": []}, **sent)  # type: ignore[arg-type]
    line = KeptLine("silent-1", "Heron Gate: silent since 07:05.", act=True, sites=("heron-gate",))
    said = KeptRound(20_520, NOW_MS, "1 of 2 sites needs nobody", "Contact", "", (line,))
    rounds.keep(conn, said)
    rounds.hand_over(conn, at_ms=NOW_MS, actor="local", text="Fuses are in the blue van.")
    setting.keep(conn, "begun", str(DAY_0))
    insert_many(conn, schema.night, [(site_id, 20_520, 12.1, DAY_0, 12.25, 13.5, DAY_0 + 9, 48)])


def _findings(conn: Connection, site_id: int) -> None:
    told = Diagnosis(
        cause="antenna",
        title="Antenna or connector",
        about=About.CONTACT,
        gateway_id=1,
        site_ids=(site_id,),
        since_ms=DAY_0,
        score=5.0,
        says=Said("signal fell 19 dB at {}", At(DAY_0)),
        advice=Said("Bring both."),
        decides=Said("Reflected power at the radio."),
        chart=ChartOf(Shown.SIGNAL, DAY_0),
    )
    held = findings.keep(conn, Step({}, places([told]), {}, ()), NOW_MS)
    (number,) = (one.id for one in held.values())
    said = Verdict.CONFIRMED
    finding_words.word(conn, number, at_ms=NOW_MS, actor="local", verdict=said, found="connector")


def _people(conn: Connection) -> None:
    hale = people.add_account(
        conn, "r.hale", Role.SUPERVISOR, at_ms=NOW_MS, password_hash="no password has this hash"
    )
    end_ms = NOW_MS + 1000
    people.begin_session(
        conn, hale.id, "browser", at_ms=NOW_MS, ends_ms=end_ms, address="192.0.2.1"
    )
    people.add_token(
        conn, "script", "report", Role.VIEWER, account_id=hale.id, at_ms=NOW_MS, ends_ms=end_ms
    )
    people.add_link(conn, "paper", "first", "", account_id=None, at_ms=NOW_MS, ends_ms=end_ms)
    made = Act("token.make", "token", "report", {}, {"role": "viewer", "days": 3})
    audit.add(conn, made, at_ms=NOW_MS, actor="r.hale", account_id=hale.id, address="192.0.2.1")


def _life(conn: Connection, site_id: int, plan: PollPlan) -> None:
    said = {"at_ms": NOW_MS, "actor": "local"}
    station = hardware.Part(
        0, site_id, "station", "Gate station", DAY_0, "MB-0001", "3.1", place="cabinet"
    )
    hardware.end(conn, hardware.enter(conn, station), NOW_MS, "sent back")
    fuse = hardware.Part(0, None, "fuse", "", DAY_0, detail={"rating_a": 3.0, "count": 20})
    hardware.enter(conn, fuse)
    due = {"site_id": site_id, "what": "Grease the gate", "due_day": 20_500}
    task = tasks.add(conn, **due, every_months=12, **said)  # type: ignore[arg-type]
    tasks.finish(conn, task.id, note="Done.", **said)  # type: ignore[arg-type]
    read = (12.96, 12.84, NOW_MS - 5000, 0.0, -0.12, 2)
    hand_readings.add(conn, hand_readings.HandReading(0, site_id, "BATT", NOW_MS, *read, "local"))
    point_id = next(
        one.point_id for one in plan.gateways[0].sites[0].layout.points if one.tag == "TOT"
    )
    counts = (48_112.0, 7.0, None)
    event = count_events.CountEvent(0, point_id, NOW_MS, "replaced", *counts, "record", "local")
    count_events.add(conn, event)


def _proofs(conn: Connection, plan: PollPlan) -> None:
    """A signed proof with a step and a photograph, and one that goes on."""
    site = plan.gateways[0].sites[0]
    layout = site.layout
    point = layout.points[0]
    proof = proofs.begin(
        conn,
        site.site_id,
        "commissioning",
        actor="r.hale",
        at_ms=DAY_0,
        at_site="R. Hale",
        at_base="M. Okoro",
    )
    step = steps.Step(
        1,
        point.tag,
        steps.StepKind.VERDICT,
        steps.Phase.AS_FOUND,
        steps.Result.PASS,
        DAY_0 + 1,
        "r.hale",
        meaning=steps.meaning_in(layout, point),
    )
    proof_steps.add(conn, proof.id, [step], at_ms=DAY_0 + 1)
    proof_photos.add(
        conn,
        proof.id,
        name="Terminals",
        media="image/png",
        body=b"\x89PNG\r\n\x1a\n",
        at_ms=DAY_0 + 2,
        actor="r.hale",
    )
    proofs.sign(conn, proof, name="R. Hale", versions={"network": 1}, at_ms=DAY_0 + 3)
    proofs.begin(conn, site.site_id, "repair", actor="r.hale", at_ms=DAY_0 + 4, follows_id=proof.id)


def _alarms(conn: Connection, plan: PollPlan) -> None:
    """An alarm that calls, and what its journal tells of it."""
    site = plan.gateways[0].sites[0].site
    high = Alarm(
        f"{site.key}/LVL/high",
        Kind.HIGH,
        Priority.HIGH,
        site.key,
        "LVL",
        limit=2.8,
        deadband=0.1,
        on_delay_s=60.0,
        off_delay_s=60.0,
        rationale="The gate overflows above it.",
        consequence="Water runs over.",
        response="Open the gate.",
    )
    alarm_rows.enter(conn, {high.key: high}, DAY_0)
    raised = Entry(
        NOW_MS, high.key, Event.RAISED, AlarmState.NORMAL, AlarmState.UNACKNOWLEDGED, "2.84 m"
    )
    calls = Standing(
        AlarmState.UNACKNOWLEDGED, Condition.ABNORMAL, NOW_MS, seen_ms=NOW_MS, value="2.84 m"
    )
    alarms.keep(conn, {high.key: AlarmStep(calls, (raised,))}, NOW_MS)


def _orders(conn: Connection, site_id: int) -> None:
    """An order that was confirmed, one that a tag refused, and the tag."""
    for key, wanted in (
        ("first", Wanted(OrderKind.PULSE, None, 900.0)),
        ("second", Wanted(OrderKind.SETPOINT, 2.5)),
    ):
        number = keys.point_id(conn, site_id, "LVL")
        assert number is not None
        who = {"actor": "r.hale", "account_id": 1, "site_id": site_id, "point_id": number}
        new = orders.NewOrder(
            key, NOW_MS, NOW_MS + 30_000, wanted=wanted, seen="2.84 m", seen_ms=DAY_0, **who
        )
        made, _ = orders.make(conn, new)
        if orders.claim(conn, made.id, "1-abc", NOW_MS + 1):
            told = Told(
                OrderState.CONFIRMED, NOW_MS + 9, "Read back.", 0, NOW_MS + 2, 899.0, NOW_MS + 8
            )
            orders.tell(conn, made.id, told)
        said = {"actor": "m.voss", "account_id": None, "reason": "Belt is off."}
        tag = tag_outs.hang(conn, site_id, point_id=number, at_ms=NOW_MS, **said)
    tag_outs.remove(conn, tag.id, "m.voss", "Belt is on again.", NOW_MS + 20)


def _told(conn: Connection, plan: PollPlan) -> None:
    """Somebody who is told of alarms, what he was told, and the log of handing it over."""
    contact = contacts.add(conn, Contact(0, "r.hale", Way.MAIL, "r.hale@example.org"), DAY_0)
    high = Occurrence(f"{plan.gateways[0].sites[0].site.key}/LVL/high", NOW_MS)
    new = NewMessage(
        contact.id,
        MessageKind.ALARM,
        Priority.HIGH,
        "High: Level high, 2.84 m",
        "Open the gate.\n",
        (high,),
        NOW_MS,
    )
    (message,) = messages.store(conn, [new], NOW_MS)
    one = Try(message.id, 1, NOW_MS + 800, TryOutcome.HANDED, "2.0.0 taken")
    messages.tried(conn, one, Delivery.HANDED, NOW_MS + 800)


def _volumes(conn: Connection, plan: PollPlan) -> None:
    """An hour with a restart in it, a factor, and all that people say of volumes."""
    site = plan.gateways[0].sites[0]
    point_id = next(one.point_id for one in site.layout.points if one.tag == "TOT")
    hour = Segment(
        DAY_0, DAY_0 + 3_600_000, 48.0, 12.0, 0.0, False, 3_000_000, 90.0, 0.0, 7.0, None
    )
    fell = CountStep(
        DAY_0, DAY_0 + 600_000, 48_112.0, 7.0, CountedStep(StepKind.RESET, 0.0, 90.0, 0.0)
    )
    volume_hours.put(
        conn, point_id, volume_hours.Worked(DAY_0, DAY_0 + 3_600_000, (hour,), (fell,))
    )
    insert_many(conn, schema.volume_basis, [(site.site_id, "as kept", None)])
    factor = k_factor("450", "gal", DAY_0)
    k_factors.enter(conn, k_factors.KeptFactor(point_id, factor, NOW_MS, "r.hale", "Certificate"))
    span = (DAY_0, DAY_0 + 3_600_000)
    said = ("Bypass open", NOW_MS, "r.hale")
    made = adjustments.add(conn, Adjustment(0, point_id, *span, Fraction(3, 2), "gal", *said))
    adjustments.take_back(conn, made.id, reason="Wrong meter", at_ms=NOW_MS, actor="r.hale")
    figures = Figures("gal", *(Fraction(n) for n in range(5)), 450.0, 9, 10, 1.0, None)
    month_closes.close(conn, point_id, "2026-03", figures, at_ms=NOW_MS, actor="r.hale")
    read = (DAY_0, Fraction("1200.5"), "gal", True, NOW_MS, "r.hale", "Glass clouded")
    index_readings.add(conn, IndexReading(0, point_id, *read))
    allowed = (Period.MONTH, Fraction(1000), "m³", (point_id,), DAY_0, NOW_MS, "r.hale")
    permits.enter(conn, Permit(0, "Lower canal", *allowed))
    pond = balances.Storage(site.site_id, "LVL", AreaTable((0.0, 2.0), (100.0, 300.0)))
    group = balances.Group(0, "Canal", (point_id,), (), (pond,))
    balances.enter(conn, group, at_ms=NOW_MS, actor="r.hale")
