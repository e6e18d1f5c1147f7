"""Builds gateways: how each channel is reached, with the defaults of its transport."""

import re
from collections.abc import Iterator, Mapping
from ipaddress import ip_address
from typing import Any

from tallymast.domain.grammar.drafts import Wrong
from tallymast.domain.grammar.keys import GATEWAY, doubtful, read_keys, require, tables_in
from tallymast.domain.grammar.mistakes import Mistakes, plain, shown
from tallymast.domain.model import Gateway, Parity, Transport

USUAL = Gateway(key="", name="", transport=Transport.RTU_OVER_TCP, address="")
# Ours: the rates serial ports are built for; faster lines are taken as they are.
_USUAL_BAUD = tuple(300 * n for n in (1, 2, 4, 8, 16, 32, 48, 64, 96, 128, 192, 256, 384, 768))
_HOST_AND_PORT = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):(\d{1,5})")
_HOST = re.compile(r"[A-Za-z0-9._-]+")
_LOOKS_NUMERIC = re.compile(r"[0-9.]+|\[.*\]")
_SERIAL_PORT = re.compile(r"/\S+|COM\d+", re.IGNORECASE)
_LINE_KEYS = frozenset(("parity", "stop_bits", "character_bits"))
_SHORTEST_QUARANTINE_S = 5.0
_NEEDED = {
    "key": "a short name sites refer to",
    "address": 'where it is reached, as "192.0.2.10:502", or a serial port as "/dev/ttyUSB0"',
}


def build_gateways(written: Mapping[str, Any], mistakes: Mistakes) -> dict[str, Gateway]:
    """Return the gateways by key; those with a mistake of their own are told.

    A gateway whose key is usable stays in, so that its sites are not blamed for it.
    """
    found: dict[str, Gateway] = {}
    for n, table in enumerate(tables_in(written, "gateway", "", mistakes, "gateway"), 1):
        key = table.get("key")
        place = f"gateway {key if isinstance(key, str) else f'number {n}'}"
        keys = read_keys(table, GATEWAY, place, mistakes)
        bad = doubtful(table, keys, GATEWAY)
        require(keys.keys() | bad, _NEEDED, place, mistakes)
        check_position(table, place, mistakes)
        gateway = _gateway(keys)
        for wrong, sentence in _wrong(gateway, keys, bad):
            mistakes.add(place, wrong, sentence)
        if "key" not in keys:
            continue
        if any(other.casefold() == gateway.key.casefold() for other in found):
            mistakes.add(place, "key", "Another gateway has this key already; choose a new one.")
            continue
        _check_address_is_free(gateway, found, place, mistakes)
        found[gateway.key] = gateway
    return found


def check_position(written: Mapping[str, Any], place: str, mistakes: Mistakes) -> None:
    """Tell a latitude without its longitude, and the other way round."""
    for one, other in (("latitude", "longitude"), ("longitude", "latitude")):
        if one in written and other not in written:
            mistakes.add(place, other, f"This key is missing: {one} alone is no position.")


def _gateway(keys: Mapping[str, Any]) -> Gateway:
    transport = keys.get("transport", Transport.RTU_OVER_TCP)
    timeout_s = keys.get("reply_timeout_s", USUAL.reply_timeout_s)
    filled: dict[str, Any] = {
        "key": "",
        "name": keys.get("key", ""),
        "transport": transport,
        "address": "",
        "character_bits": _character_bits(keys),
        "quarantine_s": max(3 * timeout_s, _SHORTEST_QUARANTINE_S),
        "min_gap_ms": 0.0 if transport is Transport.MODBUS_TCP else 50.0,
    }
    return Gateway(**{**filled, **keys})


def _character_bits(keys: Mapping[str, Any]) -> int:
    """Return start bit, 8 data bits, parity and stop bits of one character on the line."""
    parity = keys.get("parity", Parity.NONE)
    stop_bits: int = keys.get("stop_bits", 1)
    return 9 + (parity is not Parity.NONE) + stop_bits


def _wrong(gateway: Gateway, keys: Mapping[str, Any], bad: set[str]) -> Iterator[Wrong]:
    """Yield what does not fit together, as key and sentence."""
    if "address" in keys and "transport" not in bad and (told := _wrong_address(gateway)):
        yield ("address", told)
    if gateway.baud < _USUAL_BAUD[-1] and gateway.baud not in _USUAL_BAUD:
        usual = min(_USUAL_BAUD, key=lambda rate: abs(rate - gateway.baud))
        yield ("baud", f"{gateway.baud} is no usual rate; the nearest is {usual}.")
    if gateway.quarantine_s < gateway.reply_timeout_s and "reply_timeout_s" not in bad:
        yield (
            "quarantine_s",
            f"{plain(gateway.quarantine_s)} s is shorter than the reply timeout of"
            f" {plain(gateway.reply_timeout_s)} s; a late answer would be taken for a new one.",
        )
    if keys.keys() & {"parity", "stop_bits"} and not bad & _LINE_KEYS:
        yield from _wrong_bits(gateway, keys)


def _wrong_bits(gateway: Gateway, keys: Mapping[str, Any]) -> Iterator[Wrong]:
    bits = _character_bits(keys)
    if gateway.character_bits != bits:
        stops = "1 stop bit" if gateway.stop_bits == 1 else f"{gateway.stop_bits} stop bits"
        yield (
            "character_bits",
            f"Parity {gateway.parity} and {stops} make {bits} bits, not {gateway.character_bits};"
            " leave this key out.",
        )


def _wrong_address(gateway: Gateway) -> str | None:
    address = gateway.address
    parts = _HOST_AND_PORT.fullmatch(address)
    if gateway.transport is Transport.SERIAL:
        return None if _SERIAL_PORT.fullmatch(address) else _wrong_serial(address, bool(parts))
    if _SERIAL_PORT.fullmatch(address):
        return f'{shown(address)} is a serial port; write transport = "serial" with it.'
    if parts:
        return _wrong_host(parts[1], int(parts[2]))
    if _HOST.fullmatch(address):
        return f'{shown(address)} has no port; write it behind a colon, as "{address}:502".'
    return f'{shown(address)} is not an address; write host and port, as "192.0.2.10:502".'


def _wrong_host(host: str, port: int) -> str | None:
    if not 1 <= port <= 65535:
        return f"Port {port} is outside 1 to 65535."
    if not _LOOKS_NUMERIC.fullmatch(host):
        return None
    try:
        ip_address(host.strip("[]"))
    except ValueError:
        return f"{shown(host)} is no IP address: four numbers from 0 to 255, as 192.0.2.10."
    return None


def _wrong_serial(address: str, is_host: bool) -> str:
    if is_host:
        return (
            f"{shown(address)} is host and port, but the transport is serial; write a port as"
            ' "/dev/ttyUSB0", or transport = "rtu-over-tcp".'
        )
    return f'{shown(address)} is not a serial port; write it as "/dev/ttyUSB0" or "COM3".'


def _check_address_is_free(
    gateway: Gateway, found: Mapping[str, Gateway], place: str, mistakes: Mistakes
) -> None:
    for other in found.values():
        if gateway.address and other.address.casefold() == gateway.address.casefold():
            mistakes.add(
                place,
                "address",
                f"{gateway.address} is the address of gateway {other.key} already; one channel is"
                " one gateway.",
            )
