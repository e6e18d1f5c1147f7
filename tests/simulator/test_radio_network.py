"""Real frames over a real socket, taken apart by crccheck and struct, not by our code."""

import json
import struct
from pathlib import Path

from crccheck.crc import CrcModbus

from tallymast.domain.model import Network
from tallymast.simulator.radio_network import RadioNetwork
from tallymast.simulator.truth import Truth


def framed(*body: int) -> bytes:
    return bytes(body) + CrcModbus.calc(bytes(body)).to_bytes(2, "little")


def test_a_read_is_answered_with_the_words_the_truth_tells(
    network: Network, ask, tmp_path: Path
) -> None:
    path = tmp_path / "truth.jsonl"
    with Truth(path) as truth, RadioNetwork(network, 7, truth=truth) as radio:
        address = radio.start()["mast"]
        # MODBUS Application Protocol V1.1b3 §6.4: 04, first register, count; the answer is
        # 04, byte count, registers high byte first.
        answer = ask(address, framed(3, 4, 0, 4, 0, 4), 13)
    assert answer[:3] == bytes([3, 4, 8])
    assert CrcModbus.calc(answer[:-2]) == int.from_bytes(answer[-2:], "little")
    (line,) = [json.loads(line) for line in path.read_text().splitlines()]
    assert line["words"] == list(struct.unpack(">4H", answer[3:11]))
    assert (line["gateway"], line["unit"], line["table"], line["start"]) == ("mast", 3, "input", 4)
    assert line["fate"] == "sent"


def test_two_requests_in_one_segment_are_both_answered_in_turn(network: Network, ask) -> None:
    with RadioNetwork(network, 7) as radio:
        address = radio.start()["mast"]
        both = ask(address, framed(3, 4, 0, 7, 0, 1) + framed(40, 4, 0, 7, 0, 1), 14)
    assert (both[0], both[7]) == (3, 40)


def test_refusals_carry_the_codes_of_the_protocol(network: Network, ask) -> None:
    # MODBUS Application Protocol V1.1b3 §7: 01 illegal function, 02 illegal data address,
    # 03 illegal data value.
    with RadioNetwork(network, 7) as radio:
        address = radio.start()["mast"]
        assert ask(address, framed(3, 4, 0, 99, 0, 1), 5) == framed(3, 0x84, 2)
        assert ask(address, framed(3, 4, 0, 4, 0, 30), 5) == framed(3, 0x84, 3)  # 20 words at most
        assert ask(address, framed(3, 4, 0, 4, 0, 0), 5) == framed(3, 0x84, 3)
        assert ask(address, framed(3, 0x41, 1, 2), 5) == framed(3, 0xC1, 1)


def test_spare_registers_read_as_zero(network: Network, ask) -> None:
    with RadioNetwork(network, 7) as radio:
        address = radio.start()["mast"]
        assert ask(address, framed(3, 4, 0, 10, 0, 3), 11) == framed(3, 4, 6, 0, 0, 0, 0, 0, 0)


def test_an_output_is_written_echoed_and_read_back(network: Network, ask) -> None:
    # MODBUS Application Protocol V1.1b3 §6.11: function 15 answers start and quantity.
    with RadioNetwork(network, 7) as radio:
        address = radio.start()["mast"]
        assert ask(address, framed(3, 1, 0, 2, 0, 1), 6) == framed(3, 1, 1, 0)
        assert ask(address, framed(3, 15, 0, 2, 0, 1, 1, 1), 8) == framed(3, 15, 0, 2, 0, 1)
        assert ask(address, framed(3, 1, 0, 2, 0, 1), 6) == framed(3, 1, 1, 1)
        assert ask(address, framed(3, 5, 0, 9, 0xFF, 0), 5) == framed(3, 0x85, 2)
