"""What the commands do: start the parts, keep them until told to end, leave nothing half-done."""

import signal
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from importlib.metadata import version
from pathlib import Path

from tallymast import assets, serving, wiring
from tallymast.domain import network_file
from tallymast.domain.errors import ConfigError
from tallymast.domain.model import Network
from tallymast.routes.app import create_app
from tallymast.settings import Settings
from tallymast.simulator.faults import Faults, read_faults
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.scale import scaled
from tallymast.simulator.truth import Truth
from tallymast.storage import backup as copies
from tallymast.storage import network as stored_network
from tallymast.storage.engine import Database, open_database

DEMO_NETWORK = "ombrel-basin.toml"
DEMO_SEED = 1


# --- serve and demo -------------------------------------------------------------------


def serve(
    settings: Settings,
    network: Path | None,
    role: str,
    addresses: Mapping[str, str] | None = None,
) -> None:
    """Poll and serve until Ctrl-C or SIGTERM, then end with everything stored.

    Args:
        settings: where data lies and where pages are served.
        network: a network file for an empty database; told, not taken, where there is one.
        role: ``all``, ``poller`` (no pages) or ``web`` (no polling).
        addresses: other gateway addresses than the stored ones, by gateway key.

    """
    server_socket = (
        None if role == "poller" else serving.listening_socket(settings.host, settings.port)
    )
    try:
        with opened(settings) as database:
            if network is not None:
                _bring(database, network)
            parts = wiring.assemble(database, role, addresses)
            with parts.running():
                if server_socket is None:
                    _poll_until_ended()
                else:
                    serving.serve(
                        create_app(wiring.services(parts, version("tallymast"))), server_socket
                    )
    finally:
        if server_socket is not None:
            server_socket.close()


def _bring(database: Database, network: Path) -> None:
    differences = wiring.bring_network(database, read_text(network), network.name)
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
    network = assets.demo_data() / DEMO_NETWORK
    with simulator(network) as addresses:
        serve(settings, network, "all", addresses)


@contextmanager
def simulator(network: Path) -> Iterator[dict[str, str]]:
    """Run the simulator in a process of its own; give each gateway's address, by key."""
    command = [sys.executable, "-m", "tallymast", "simulate", "--network", str(network)]
    process = subprocess.Popen(
        [*command, "--any-port", "--until-stdin-ends", "--seed", str(DEMO_SEED)],
        stdout=subprocess.PIPE,
        stdin=subprocess.PIPE,  # closed with this process, however that ends; then it ends too
        text=True,
        start_new_session=True,  # Ctrl-C reaches the poller first
    )
    try:
        yield _addresses(process)
    finally:
        process.terminate()
        with suppress(BrokenPipeError):
            process.communicate(timeout=10)


def _addresses(process: subprocess.Popen[str]) -> dict[str, str]:
    found = {}
    assert process.stdout is not None
    for line in process.stdout:
        key, separator, address = line.rstrip("\n").partition(" listens at ")
        if separator:
            found[key] = address
        if line == "ready\n":
            return found
    raise ConfigError("The simulated radio network did not start; what it said stands above.")


# --- the simulator --------------------------------------------------------------------


def simulate(
    network_path: Path,
    seed: int,
    faults_path: Path | None,
    truth_path: Path | None,
    scale: int,
    any_port: bool,
    until_stdin_ends: bool,
) -> None:
    """Open every gateway's port and serve until Ctrl-C, SIGTERM or, if asked, the end of stdin."""
    network = scaled(_network(network_path), scale)
    faults = _faults(faults_path, network)
    ports = {} if any_port else {one.key: port_of(one.address) for one in network.gateways}
    with (
        Truth(truth_path) as truth,
        RadioNetwork(network, seed, faults=faults, truth=truth, ports=ports) as radio,
    ):
        for key, (host, port) in radio.start().items():
            print(f"{key} listens at {host}:{port}")
        print("ready", flush=True)
        _wait_for_end(until_stdin_ends)


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


# --- the network in the database ------------------------------------------------------


def import_network(settings: Settings, text: str, source: str) -> tuple[str, ...]:
    """Make the database's network what the file says; return what changed, in sentences."""
    with opened(settings) as database:
        return wiring.change_network(database, text, source)


def export_network(settings: Settings) -> str:
    """Return the database's network as a file's text."""
    with opened(settings, create=False) as database, database.reading() as connection:
        written = stored_network.load_written(connection)
    if not written:
        raise ConfigError(f"There is no network in {settings.data_dir} yet.")
    return network_file.dump(written)


def fill(*_: object) -> None:
    """TODO."""


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


def _faults(path: Path | None, network: Network) -> Faults:
    if path is None:
        return Faults()
    return read_faults(read_text(path), path.name, network, wiring.now_ms())
