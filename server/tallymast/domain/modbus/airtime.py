"""How long bytes take on a serial line, as the half-duplex channel has to pay for it."""

_FIXED_SILENCE_ABOVE_BAUD = 19_200
_FIXED_SILENCE_S = 0.001_75


def character_s(baud: int, bits: int) -> float:
    """Return the time of one character [s].

    Args:
        baud: line speed [bit/s].
        bits: start, data, parity and stop bits together: 10 for 8N1, 11 with parity.

    """
    return bits / baud


def t35_s(baud: int, bits: int) -> float:
    """Return the silence that parts two RTU frames [s].

    3.5 characters up to 19 200 baud, a fixed 1.75 ms above.

    Source: MODBUS over Serial Line V1.02 §2.5.1.1.
    """
    if baud > _FIXED_SILENCE_ABOVE_BAUD:
        return _FIXED_SILENCE_S
    return 3.5 * character_s(baud, bits)


def exchange_minimum_s(
    request_bytes: int, answer_bytes: int, baud: int, bits: int, turnaround_s: float
) -> float:
    """Return the least time one exchange holds the channel [s].

    Args:
        request_bytes: whole request frame, CRC included.
        answer_bytes: whole answer frame.
        baud: line speed [bit/s].
        bits: bits a character.
        turnaround_s: from the request's last byte to the answer's first [s].

    """
    characters = (request_bytes + answer_bytes) * character_s(baud, bits)
    return characters + 2 * t35_s(baud, bits) + turnaround_s
