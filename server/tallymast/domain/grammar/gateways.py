"""Builds gateways: how each channel is reached, with the defaults of its transport."""

import re
from collections.abc import Mapping
from typing import Any

from tallymast.domain.grammar.keys import GATEWAY, read_keys, require, tables_in
from tallymast.domain.grammar.mistakes import Mistakes, plain, shown
from tallymast.domain.model import Gateway, Parity, Transport

USUAL = Gateway(key="", name="", transport=Transport.RTU_OVER_TCP, address="")
# Ours: the rates serial ports are built for; faster lines are taken as they are.
_USUAL_BAUD = tuple(300 * n for n in (1, 2, 4, 8, 16, 32, 48, 64, 96, 128, 192, 256, 384, 768))
_HOST_AND_PORT = re.compile(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):(\d{1,5})")
_HOST = re.compile(r"[A-Za-z0-9._-]+")
_SERIAL_PORT = re.compile(r"/dev/\S+|COM\d+", re.IGNORECASE)
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
        require(table, _NEEDED, place, mistakes)
        gateway = _gateway(keys)
        _check(gateway, keys, place, mistakes)
        if "key" not in keys:
            continue
        if any(other.casefold() == gateway.key.casefold() for other in found):
            mistakes.add(place, "key", "Another gateway has this key already; choose a new one.")
            continue
        _check_address_is_free(gateway, found, place, mistakes)
        found[gateway.key] = gateway
    return found


def check_position(keys: Mapping[str, Any], place: str, mistakes: Mistakes) -> None:
    """Tell a latitude without its longitude, and the other way round."""
    for one, other in (("latitude", "longitude"), ("longitude", "latitude")):
        if one in keys and other not in keys:
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


def _check(gateway: Gateway, keys: Mapping[str, Any], place: str, mistakes: Mistakes) -> None:
    check_position(keys, place, mistakes)
    if "address" in keys and (sentence := _wrong_address(gateway)):
        mistakes.add(place, "address", sentence)
    if gateway.baud < _USUAL_BAUD[-1] and gateway.baud not in _USUAL_BAUD:
        usual = min(_USUAL_BAUD, key=lambda rate: abs(rate - gateway.baud))
        mistakes.add(place, "baud", f"{gateway.baud} is no usual rate; the nearest is {usual}.")
    if gateway.quarantine_s < gateway.reply_timeout_s:
        mistakes.add(
            place,
            "quarantine_s",
            f"{plain(gateway.quarantine_s)} s is shorter than the reply timeout of"
            f" {plain(gateway.reply_timeout_s)} s; a late answer would be taken for a new one.",
        )
    bits = _character_bits(keys)
    if ("parity" in keys or "stop_bits" in keys) and gateway.character_bits != bits:
        mistakes.add(
            place,
            "character_bits",
            f"{gateway.character_bits} does not go with parity {gateway.parity} and"
            f" {gateway.stop_bits} stop bit{'s' * (gateway.stop_bits > 1)}, which make {bits};"
            " leave it out.",
        )


def _wrong_address(gateway: Gateway) -> str | None:
    address = gateway.address
    is_port = bool(_SERIAL_PORT.fullmatch(address))
    parts = _HOST_AND_PORT.fullmatch(address)
    if gateway.transport is Transport.SERIAL:
        return _wrong_serial(address) if parts or not address.strip() else None
    if is_port:
        return f'{shown(address)} is a serial port; write transport = "serial" with it.'
    if parts:
        return None if 1 <= int(parts[2]) <= 65535 else f"Port {parts[2]} is outside 1 to 65535."
    if _HOST.fullmatch(address):
        return f'{shown(address)} has no port; write it behind a colon, as "{address}:502".'
    return f'{shown(address)} is not an address; write host and port, as "192.0.2.10:502".'


def _wrong_serial(address: str) -> str:
    return (
        f"{shown(address)} is host and port, and the transport is serial; write a serial port as"
        ' "/dev/ttyUSB0", or transport = "rtu-over-tcp".'
    )


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
