"""What the commands do: start the parts, keep them until told to end, leave nothing half-done."""

import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from datetime import datetime, timedelta
from functools import partial
from importlib.metadata import version
from pathlib import Path

import typer
from fastapi import FastAPI

from tallymast import (
    accounts,
    beside,
    exporting,
    hour_closer,
    networks,
    reporting,
    serving,
    wall,
    wiring,
)
from tallymast.demo import demonstration
from tallymast.demo import filling as demo_filling
from tallymast.demo.life import furnish
from tallymast.demo.orders import demo_orders
from tallymast.demo.proofs import demo_proofs
from tallymast.demo.volumes import demo_volumes
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Network, SitePlan
from tallymast.domain.zones import find_zone
from tallymast.files.report_shelf import ReportShelf
from tallymast.monthly import MonthKeeper
from tallymast.rounds import RoundKeeper
from tallymast.routes.app import create_app
from tallymast.routes.findings_told import findings_told
from tallymast.routes.round_words import round_to_keep
from tallymast.routes.services import NetworkView, Services
from tallymast.settings import Settings, backups_of, reports_of, webhook_secrets
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.faults import Faults
from tallymast.simulator.history import Past, World
from tallymast.simulator.past_truth import past_truth
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.radio_path import LIVELY, STEADY
from tallymast.simulator.scale import scaled
from tallymast.simulator.truth import Truth
from tallymast.storage import backup as copies
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database, open_database
from tallymast.storage.history import store_day
from tallymast.storage.nights import compute_nights

DEMO_HINT = "The demo's invented accounts are printed where it was started, with their passwords."

Span = tuple[int, int]  # UTC milliseconds, the end not included


# --- serve and demo -------------------------------------------------------------------


def serve(
    settings: Settings, network: Path | None, role: str, test_clock: Path | None = None
) -> None:
    """Poll and serve until Ctrl-C or SIGTERM, then end with everything stored.

    Args:
        settings: where data lies and where pages are served.
        network: a network file for an empty database; told, not taken, where there is one.
            Without one an empty database begins a network that is entered under Setup.
        role: ``all``, ``poller`` (no pages) or ``web`` (no polling).
        test_clock: a file by whose offset [s] this process's time of day is moved.

    """
    with wall.moved_by(test_clock):
        if role == "poller":
            _serve(settings, network, role, {}, None)
            return
        with serving_socket(settings) as server_socket:
            _serve(settings, network, role, {}, server_socket)


@contextmanager
def serving_socket(settings: Settings) -> Iterator[socket.socket]:
    """Hold the pages' port for a block."""
    with serving.listening_socket(settings.host, settings.port) as held:
        yield held


def _serve(
    settings: Settings,
    network: Path | None,
    role: str,
    addresses: Mapping[str, str],
    server_socket: socket.socket | None,
) -> None:
    with opened(settings) as database:
        if network is not None:
            _bring(database, network)
        is_new = networks.begin_network(database)
        then = [] if server_socket is None else _at_the_door(settings, database, server_socket)
        parts = wiring.assemble(
            database,
            role,
            addresses,
            backups=backups_of(settings),
            mail_password=settings.smtp_password.get_secret_value(),
            webhook_secrets=_webhook_secrets(),
        )
        with parts.running():
            if server_socket is None:
                _poll_until_ended()
            else:
                if is_new:
                    base = serving.base_of(server_socket)
                    then = [*then, f"There is no network yet: begin at {base}/setup"]
                door = _door(settings, "login")
                given = wiring.services(parts, version("tallymast"), wall.clock().notice, door)
                with _pages(parts, given, ReportShelf(reports_of(settings))) as app:
                    serving.serve(app, server_socket, then)
            _tell_what_falls(parts)


def _webhook_secrets() -> dict[str, str]:
    return {name: one.get_secret_value() for name, one in webhook_secrets().items()}


@contextmanager
def _pages(
    parts: wiring.Parts,
    given: Services,
    shelf: ReportShelf,
    past_is_there: Callable[[], bool] = lambda: True,
) -> Iterator[FastAPI]:
    """Make the pages for a block in which each day's round and each month's report are kept."""
    months, before = MonthKeeper(given, shelf, past_is_there), given.notice
    given = replace(
        given,
        reports=shelf,
        report_trouble=lambda: months.words,
        notice=lambda: " ".join(filter(None, (before(), months.words))),
    )
    app = create_app(given)
    daily = RoundKeeper(
        parts.database, lambda: parts.view, given.now_ms, lambda day: round_to_keep(app, given, day)
    )
    daily.start()
    months.start()
    try:
        yield app
    finally:
        months.stop()
        daily.stop()


def _at_the_door(settings: Settings, database: Database, server_socket: socket.socket) -> list[str]:
    """Return what to print once the pages are served: the first link, cautions.

    Raises:
        ConfigError: other machines could reach the pages, and nobody has an account yet.

    """
    if settings.is_local:
        return accounts.first_link(database, serving.base_of(server_socket))
    if not accounts.has_supervisor(database):
        raise ConfigError(
            f"Host {settings.host} can be reached from other machines, and there are no accounts "
            "yet: everybody there could act as you. Make a supervisor's first: "
            "`tallymast user add NAME --role supervisor --password-stdin`."
        )
    return [
        "Other machines can reach these pages without encryption: passwords can be read on the "
        "way. Put a server that speaks HTTPS in front, or keep to a network you trust."
    ]


def _door(settings: Settings, viewing: str, hint: str = "") -> wiring.Door:
    names = [one.strip().lower() for one in settings.names.split(",") if one.strip()]
    if not settings.is_local:
        names += [settings.host, socket.gethostname().lower()]
    return wiring.Door(settings.viewing or viewing, tuple(names), not settings.is_local, hint)


def _tell_what_falls(parts: wiring.Parts) -> None:
    """Say which outputs their stations drop now that polling ends."""
    lines = wiring.would_fall(parts) if parts.poll is not None else []
    if lines:
        print(
            "Polling ends; these outputs fall back by themselves:",
            *lines,
            sep="\n  ",
            file=sys.stderr,
        )


def _bring(database: Database, network: Path) -> None:
    differences = networks.bring_network(database, read_text(network), network.name)
    if differences:
        print(
            f"The database keeps its own network; {network.name} differs from it "
            "(`tallymast network import` would take the file's):",
            *differences,
            sep="\n  ",
            file=sys.stderr,
        )


def _poll_until_ended() -> None:
    ended = threading.Event()
    for which in (signal.SIGINT, signal.SIGTERM):
        signal.signal(which, lambda *_: ended.set())
    print("Tallymast is polling.", flush=True)
    ended.wait()


def demo(settings: Settings) -> None:
    """Simulate the invented network in a process of its own, poll it and serve its pages."""
    with serving_socket(settings) as server_socket, opened(settings) as database:
        if not settings.is_local:
            raise ConfigError("The demo is shown to this machine alone: --host is not for it.")
        shown = demonstration.begin(database, wiring.now_ms())
        _enter_what_people_keep(database, shown)
        then = accounts.told(accounts.demo_people(database))
        demo_orders(database, shown)  # behind the accounts: one of them hung a tag
        with beside.simulator(*demonstration.simulated(shown)) as addresses:
            demonstration.join(database, shown, wiring.now_ms())
            with beside.older_days(settings) as past:
                there = demonstration.reached(shown, addresses())
                parts = wiring.assemble(
                    database,
                    "all",
                    there,
                    backups=backups_of(settings),
                    mail_password=settings.smtp_password.get_secret_value(),
                    webhook_secrets=_webhook_secrets(),
                )
                with parts.running():
                    door = _door(settings, "open", DEMO_HINT)
                    given = wiring.services(parts, version("tallymast"), lambda: past.words, door)
                    shelf = ReportShelf(reports_of(settings))
                    with _pages(parts, given, shelf, lambda: past.is_there) as app:
                        serving.serve(app, server_socket, then)


def _enter_what_people_keep(database: Database, shown: demonstration.Scene) -> None:
    """Enter the demo's hardware, commissioning records and volumes' papers, once."""
    furnish(database, shown.plan, shown.begun_ms, shown.world.network.time_zone)
    demo_proofs(database, shown, version("tallymast"))
    demo_volumes(database, shown)


def fill_demo(settings: Settings) -> bool:
    """Write the demo's older days, telling on stdout how far it is; return whether all is there."""
    os.nice(10)  # polling and pages come first
    open_it = partial(open_database, settings.database, create=False)
    database = demo_filling.opened(open_it, partial(print, flush=True), time.sleep)
    if database is None:
        return False
    try:
        return _fill_with_a_bar(database)
    finally:
        database.close()


def _fill_with_a_bar(database: Database) -> bool:
    days = len(demonstration.pieces(database))
    with typer.progressbar(length=days, label="Writing older days", file=sys.stderr) as bar:

        def say(line: str) -> None:
            print(line, flush=True)
            bar.update(0 if ": " in line else 1)

        return demo_filling.fill(database, say, time.sleep)


# --- the simulator --------------------------------------------------------------------


def simulate(
    network_path: Path,
    seed: int,
    faults_path: Path | None,
    truth_path: Path | None,
    scale: int,
    any_port: bool,
    until_stdin_ends: bool,
    lively: bool = False,
    begun_ms: int | None = None,
    spare_path: Path | None = None,
) -> None:
    """Open every gateway's port and serve until Ctrl-C, SIGTERM or, if asked, the end of stdin.

    ``spare_path`` names stations that answer besides, of which neither the network file nor the
    faults know.
    """
    network = scaled(_network(network_path), scale)
    faults = _faults(faults_path, network, begun_ms)
    if spare_path is not None:
        network = with_spare(network, network_path, spare_path)
    ports = {} if any_port else {one.key: port_of(one.address) for one in network.gateways}
    with (
        Truth(truth_path) as truth,
        RadioNetwork(
            network,
            seed,
            faults=faults,
            truth=truth,
            radio=LIVELY if lively else STEADY,
            ports=ports,
        ) as radio,
    ):
        for key, (host, port) in radio.start().items():
            print(f"{key} listens at {host}:{port}")
        print("ready", flush=True)
        _wait_for_end(until_stdin_ends)


def fill(
    settings: Settings,
    network_path: Path,
    seed: int,
    faults_path: Path | None,
    span: Span,
    lively: bool = False,
    truth_path: Path | None = None,
    begun_ms: int | None = None,
) -> None:
    """Write simulated history of ``span`` into the database; polls that are there stay.

    Args:
        settings: where the database lies.
        network_path: whom to simulate.
        seed: another one makes another past.
        faults_path: what goes wrong, and when.
        span: which time.
        lively: whether the radio delays and loses as radios do.
        truth_path: where every answer is written, site by site.
        begun_ms: the instant to which the faults' relative times refer; None: now.

    Raises:
        ConfigError: the database keeps another network, or the span is none or not over yet.

    """
    if not 0 <= span[0] < span[1] <= wiring.now_ms():
        raise ConfigError("--fill FROM TO: FROM has to lie before TO, and TO may not be in future.")
    with opened(settings) as database:
        differences = networks.bring_network(database, read_text(network_path), network_path.name)
        if differences:
            raise ConfigError(
                [f"The database in {settings.data_dir} keeps another network:", *differences]
            )
        network = _network(network_path)
        faults = _faults(faults_path, network, begun_ms)
        world = World(network, seed, faults, LIVELY if lively else STEADY)
        with Truth(truth_path) as truth:
            write_past(
                database, world, lambda plan: span if plan.site.in_service else None, truth=truth
            )
        _write_nights(database, network, span)


def _write_nights(database: Database, network: Network, span: Span) -> None:
    """Compute the nights that lie in a filled span."""
    zone = find_zone(network.time_zone)
    first, last = (datetime.fromtimestamp(at_ms / 1000, zone).date() for at_ms in span)
    days = [first + timedelta(days=n) for n in range((last - first).days + 1)]
    _, plan = networks.load_network(database)
    compute_nights(database, hour_closer.night_sites(plan), days, zone, wiring.now_ms())


def write_past(
    database: Database,
    world: World,
    span_of: Callable[[SitePlan], Span | None],
    *,
    label: str = "Writing simulated history",
    truth: Truth | None = None,
) -> int:
    """Write simulated history of every site; return how many polls.

    Args:
        database: with the network of ``world``.
        world: what is simulated.
        span_of: which time a site's history is to cover [ms], None for none.
        label: what the progress bar says; empty for none.
        truth: where every answer is told, a day of a site at a time.

    """
    _, plan = networks.load_network(database)
    sites = [(gateway.gateway, site) for gateway in plan.gateways for site in gateway.sites]
    stored = 0
    with typer.progressbar(sites, label=label, file=sys.stderr, hidden=not label) as bar:
        for gateway, one in bar:
            span = span_of(one)
            if span is None or span[0] >= span[1]:
                continue
            past = Past(world, one.site, one.layout, gateway.slow_every_s)
            for columns in past.days(*span):
                store_day(database, one.site_id, one.layout, columns)
                stored += len(columns)
                if truth is not None and truth.is_kept:
                    truth.tell_many(past_truth(past, columns))
    return stored


def _wait_for_end(until_stdin_ends: bool) -> None:
    ended = threading.Event()
    for which in (signal.SIGINT, signal.SIGTERM):
        signal.signal(which, lambda *_: ended.set())
    if until_stdin_ends:
        threading.Thread(target=_end_with_stdin, args=(ended,), daemon=True).start()
    ended.wait()


def _end_with_stdin(ended: threading.Event) -> None:
    with suppress(ValueError, OSError):
        sys.stdin.read()
    ended.set()


def port_of(address: str) -> int:
    """Return the port of ``HOST:PORT``; 0, any free one, where there is none."""
    _, _, port = address.rpartition(":")
    return int(port) if port.isdigit() else 0


def _network(path: Path) -> Network:
    _, network = network_file.read(read_text(path), path.name)
    return network


def with_spare(network: Network, network_path: Path, spare_path: Path) -> Network:
    """Return the network with the sites of a second file, written by its profiles."""
    written = network_file.parse(read_text(network_path), network_path.name)
    more = network_file.parse(read_text(spare_path), spare_path.name)
    both = {**written, "site": [*written.get("site", []), *more.get("site", [])]}
    sites = network_file.build(both, spare_path.name).sites
    keys = {site.key for site in network.sites}
    return replace(network, sites=(*network.sites, *(one for one in sites if one.key not in keys)))


# --- the network in the database ------------------------------------------------------


def import_network(settings: Settings, text: str, source: str) -> tuple[str, ...]:
    """Make the database's network what the file says; return what changed, in sentences."""
    with opened(settings) as database:
        return networks.change_network(database, text, source)


def export_network(settings: Settings) -> str:
    """Return the database's network as a file's text."""
    with opened(settings, create=False) as database, database.reading() as connection:
        written = stored_network.load_written(connection)
    if not written:
        raise ConfigError(f"There is no network in {settings.data_dir} yet.")
    return network_file.dump(written)


def export(settings: Settings, asked: exporting.Asked) -> str:
    """Write points and a period of the record into a file; return what was, in a sentence."""
    with opened(settings, create=False) as database:
        view = NetworkView(*networks.load_network(database))
        return exporting.export(database, view, wiring.now_ms(), asked)


def report(settings: Settings, asked: reporting.Asked) -> str:
    """Write a report into a file; return what was written, in a sentence."""
    reporting.check(asked)
    with opened(settings, create=False) as database:
        view = NetworkView(*networks.load_network(database))
        now_ms = wiring.now_ms()
        told = partial(findings_told, database, view, now_ms)
        return reporting.report(database, view, now_ms, asked, findings=told)


def backup(settings: Settings, file: Path) -> None:
    """Write a whole copy of the database into ``file``."""
    with opened(settings, create=False) as database:
        copies.backup(database, file)


def restore(settings: Settings, file: Path) -> str:
    """Put a copy in the database's place; return what became of the one before, in a sentence."""
    if settings.database_url:
        raise ConfigError("A database kept by a server is restored with that server's tools.")
    place = settings.data_dir / "tallymast.sqlite3"
    kept = copies.restore(file, place)
    before = f" What was there before is kept as {kept.name}." if kept else ""
    return f"{file.name} is now the database in {settings.data_dir}.{before}"


@contextmanager
def opened(settings: Settings, *, create: bool = True) -> Iterator[Database]:
    """Open the database for a block."""
    database = open_database(settings.database, create=create)
    try:
        yield database
    finally:
        database.close()


def read_text(file: Path) -> str:
    """Return a text file's content.

    Raises:
        ConfigError: not there, not readable, or not UTF-8.

    """
    try:
        return file.read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise ConfigError(
            f"{file} is not UTF-8 text (byte {error.start}); save it as UTF-8."
        ) from error
    except OSError as error:
        raise ConfigError(f"{file} cannot be read: {error.strerror}.") from error


def _faults(path: Path | None, network: Network, begun_ms: int | None = None) -> Faults:
    if path is None:
        return Faults()
    start_ms = wiring.now_ms() if begun_ms is None else begun_ms
    return read_faults(read_text(path), path.name, network, start_ms)
