"""Ordered troubles on the live simulated radio: what comes over the socket, and what is told."""

import json
import socket
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from crccheck.crc import CrcModbus

from tallymast.domain.model import Network
from tallymast.simulator.fault_file import read_faults
from tallymast.simulator.faults import Faults
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.truth import Truth

Ask = Callable[[tuple[str, int], bytes, int], bytes]


def framed(*body: int) -> bytes:
    return bytes(body) + CrcModbus.calc(bytes(body)).to_bytes(2, "little")


READ = framed(3, 4, 0, 7, 0, 1)  # of the tank behind the repeater
OTHER = framed(40, 4, 0, 7, 0, 1)


def ordered(network: Network, kind: str, more: str = "") -> Faults:
    site = next(site for site in network.sites if site.unit == 3)
    where = 'gateway = "mast"' if kind == "gateway-down" else f'site = "{site.key}"'
    text = f'[[fault]]\nkind = "{kind}"\n{where}\nfrom = "-1h"\n{more}'
    return read_faults(text, "faults.toml", network, round(time.time() * 1000))


def fates(path: Path) -> list[str]:
    return [json.loads(line)["fate"] for line in path.read_text().splitlines()]


@pytest.mark.parametrize(("kind", "fate"), [("dead", []), ("lost", ["lost"])])
def test_a_dead_or_lost_site_is_silent_and_the_next_one_answers(
    network: Network, ask: Ask, tmp_path: Path, kind: str, fate: list[str]
) -> None:
    path = tmp_path / "truth.jsonl"
    faults = ordered(network, kind)
    with Truth(path) as truth, RadioNetwork(network, 7, faults=faults, truth=truth) as radio:
        address = radio.start()["mast"]
        answer = ask(address, READ + OTHER, 7)
    assert answer[0] == 40
    assert fates(path) == [*fate, "sent"]


def test_noise_breaks_the_answer_and_the_truth_says_so(network: Network, tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    faults = ordered(network, "noise")
    with (
        Truth(path) as truth,
        RadioNetwork(network, 7, faults=faults, truth=truth) as radio,
        socket.create_connection(radio.start()["mast"], timeout=5.0) as connection,
    ):
        connection.sendall(READ)
        answer = connection.recv(64)  # noise may also take bytes away
    is_whole = len(answer) == 7 and framed(*answer[:-2]) == answer
    assert answer
    assert not is_whole
    assert fates(path) == ["garbled"]


def test_a_late_answer_is_whole_and_comes_after_the_others(
    network: Network, ask: Ask, tmp_path: Path
) -> None:
    path = tmp_path / "truth.jsonl"
    faults = ordered(network, "late", "extra_s = 0.6\n")
    with Truth(path) as truth, RadioNetwork(network, 7, faults=faults, truth=truth) as radio:
        both = ask(radio.start()["mast"], READ + OTHER, 14)
    assert (both[0], both[7]) == (40, 3)
    assert CrcModbus.calc(both[7:12]) == int.from_bytes(both[12:], "little")
    assert fates(path) == ["late", "sent"]


def test_a_gateway_that_is_down_serves_nobody(network: Network) -> None:
    with RadioNetwork(network, 7, faults=ordered(network, "gateway-down")) as radio:
        address = radio.start()["mast"]
        try:
            with socket.create_connection(address, timeout=5.0) as connection:
                connection.sendall(READ)
                assert connection.recv(7) == b""
        except OSError:
            pass  # refused outright: just as well


def test_a_refusing_station_answers_with_its_code(network: Network, ask: Ask) -> None:
    faults = ordered(network, "refused", "code = 4\n")
    with RadioNetwork(network, 7, faults=faults) as radio:
        answer = ask(radio.start()["mast"], READ, 5)
    # MODBUS Application Protocol V1.1b3 section 7: function + 0x80, then the code.
    assert answer[:3] == bytes([3, 0x84, 4])


def test_two_stations_on_one_address_garble_each_other(network: Network, tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    with (
        Truth(path) as truth,
        RadioNetwork(network, 7, faults=ordered(network, "shared-address"), truth=truth) as radio,
        socket.create_connection(radio.start()["mast"], timeout=5.0) as connection,
    ):
        connection.sendall(READ)
        assert connection.recv(64)
    assert fates(path) == ["garbled"]


def test_a_station_without_power_is_silent(network: Network, ask: Ask, tmp_path: Path) -> None:
    path = tmp_path / "truth.jsonl"
    faults = ordered(network, "power-cut")
    with Truth(path) as truth, RadioNetwork(network, 7, faults=faults, truth=truth) as radio:
        answer = ask(radio.start()["mast"], READ + OTHER, 7)
    assert answer[0] == 40
    assert len(fates(path)) == 1
