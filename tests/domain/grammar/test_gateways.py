"""What a technician may mistype in a gateway, and the part of the sentence that helps."""

from collections.abc import Callable

import pytest

Told = Callable[..., tuple[str, ...]]
Once = Callable[..., str]

RTU = 'transport = "rtu-over-tcp"'
ADDRESS = 'address = "127.0.0.1:5020"'
PORT = 'address = "/dev/ttyUSB0"'


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        (RTU, 'transport = "rtu-over-tpc"', "transport", '"rtu-over-tcp"'),
        (ADDRESS, 'address = "127.0.0.1"', "address", 'as "127.0.0.1:502"'),
        (ADDRESS, 'address = "127.0.0.1.5020"', "address", "has no port"),
        (ADDRESS, 'address = "mast.example"', "address", 'as "mast.example:502"'),
        (ADDRESS, 'address = "127.0.0.1:0"', "address", "outside 1 to 65535"),
        (ADDRESS, 'address = "127.0.0.1:70000"', "address", "outside 1 to 65535"),
        (ADDRESS, 'address = "127.0.0.300:5020"', "address", "0 to 255"),
        (ADDRESS, 'address = "[fe80:::1]:5020"', "address", "no IP address"),
        (ADDRESS, 'address = "http://127.0.0.1:5020"', "address", "host and port"),
        (ADDRESS, 'address = "127.0.0.1 : 5020"', "address", "host and port"),
        (ADDRESS, 'address = "/dev/ttyS1"', "address", 'transport = "serial"'),
        (ADDRESS, 'address = ""', "address", "empty"),
        (ADDRESS, "address = 5020", "address", "double quotes"),
        (ADDRESS + "\n", "", "address", "missing"),
        (ADDRESS, 'adress = "127.0.0.1:5020"', "adress", 'nearest is "address"'),
        (RTU, 'transport = "serial"', "address", "/dev/ttyUSB0"),
        ("baud = 9600", "baud = 960", "baud", "nearest is 1200"),
        ("baud = 9600", 'baud = "9600"', "baud", "without quotes"),
        ("character_bits = 10", "character_bits = 8", "character_bits", "outside 10 to 12"),
        ("turnaround_ms = 25", "turnaround_ms = 25000", "turnaround_ms", "from 0 to 10000"),
        ("reply_timeout_s = 2.5", "reply_timeout_s = 0", "reply_timeout_s", "0.01 to 300"),
        ("reply_timeout_s = 2.5", "reply_timeout_s = 2500", "reply_timeout_s", "0.01 to 300"),
        ("retries = 2", "retries = 2.5", "retries", "not a whole number"),
        ("retries = 2", "retries = true", "retries", "not a whole number"),
        ("quarantine_s = 8.0", "quarantine_s = 2.0", "quarantine_s", "late answer"),
        ("quarantine_s = 8.0", "quarantine_s = 3.0", "quarantine_s", "site far-lateral, 5.5 s"),
        ("local_echo = false", 'local_echo = "no"', "local_echo", "true nor false"),
        ("miss_limit = 3", "miss_limit = 0", "miss_limit", "outside 1 to 100"),
        ("probe_ceiling_s = 300", "probe_ceilling_s = 300", "probe_ceilling_s", "probe_ceiling_s"),
        ("latitude = 44.10\n", "", "latitude", "missing"),
        ("longitude = -106.30\n", "", "longitude", "missing"),
        ("latitude = 44.10", "latitude = 94.10", "latitude", "from -90 to 90"),
        ("latitude = 44.10", 'latitude = "44° 6\'"', "latitude", "without quotes"),
        ("altitude_m = 1400", "altitude_m = 14000", "altitude_m", "from -500 to 9000"),
    ],
)
def test_a_mistake_in_a_gateway_is_told_once(
    told_once: Once, old: str, new: str, key: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [gateway marrowdun {key}] "), sentence
    assert part in sentence


@pytest.mark.parametrize(
    ("old", "new", "key", "part"),
    [
        (PORT, 'address = "127.0.0.1:502"', "address", 'transport = "rtu-over-tcp"'),
        (PORT, 'address = "ttyUSB0"', "address", '"/dev/ttyUSB0"'),
        ('parity = "even"', 'parity = "E"', "parity", '"none", "even" or "odd"'),
        ("stop_bits = 1", "stop_bits = 1\ncharacter_bits = 10", "character_bits", "make 11 bits"),
        ("stop_bits = 1", "stop_bits = 1\nbaud = 9601", "baud", "nearest is 9600"),
    ],
)
def test_a_mistake_in_a_serial_gateway_is_told_once(
    told_once: Once, old: str, new: str, key: str, part: str
) -> None:
    sentence = told_once(old, new)
    assert sentence.startswith(f"net.toml: [gateway bench {key}] "), sentence
    assert part in sentence


@pytest.mark.parametrize(
    "address",
    ["localhost:502", "192.0.2.10:65535", "mast-1.example:5020", "[2001:db8::1]:502", "COM3:1"],
)
def test_addresses_with_host_and_port_are_taken(told: Told, address: str) -> None:
    assert told(ADDRESS, f'address = "{address}"') == ()


@pytest.mark.parametrize("address", ["COM3", "com12", "/dev/serial/by-id/usb-radio"])
def test_serial_ports_are_taken(told: Told, address: str) -> None:
    assert told(PORT, f'address = "{address}"') == ()


def test_two_gateways_with_one_key_are_told(told_once: Once) -> None:
    sentence = told_once('key = "bench"', 'key = "Marrowdun"')
    assert sentence.startswith("net.toml: [gateway Marrowdun key] Another gateway has this key")


def test_two_gateways_at_one_address_are_told(told_once: Once) -> None:
    # One serial device server, two channels: their requests would meet on the radio.
    sentence = told_once(
        '\nkey = "bench"\ntransport = "serial"\naddress = "/dev/ttyUSB0"',
        '\nkey = "bench"\naddress = "127.0.0.1:5020"',
    )
    assert sentence.startswith("net.toml: [gateway bench address] ")
    assert "gateway marrowdun already" in sentence


def test_a_gateway_without_a_key_is_named_by_its_number(told_once: Once) -> None:
    sentence = told_once('key = "bench"\n', "")
    assert sentence.startswith("net.toml: [gateway number 2 key] This key is missing")


def test_single_brackets_are_told(told: Told) -> None:
    single = told('[[gateway]]\nkey = "marrowdun"', '[gateway]\nkey = "marrowdun"')
    assert any("[[gateway]]" in sentence for sentence in single)
