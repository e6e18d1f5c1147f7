"""The abuse bench is clean, repeats itself, and would see a fault if there were one."""

import pytest

from tallymast.benches import abuse
from tallymast.benches.hostile import crc
from tallymast.domain.modbus.debts import Debts
from tallymast.domain.modbus.requests import Request


def test_nothing_wrong_within_the_quarantine() -> None:
    found = abuse.run(exchanges=2000, seed=5)
    assert found["wrong_values"] == 0
    assert found["false_confirmations"] == 0
    assert found["hung"] == 0
    assert int(str(found["exchanges"])) >= 2000
    assert int(str(found["answered"])) > 800  # it is not silence that makes it clean
    assert float(str(found["one_site_ratio"])) >= 0.9
    assert float(str(found["twelve_sites_ratio"])) >= 0.9
    assert found["twelve_sites_wrong"] == 0


def test_the_same_seed_gives_the_same_run() -> None:
    assert abuse.run(exchanges=400, seed=9) == abuse.run(exchanges=400, seed=9)


def test_it_sees_what_happens_without_the_debt_rule(monkeypatch: pytest.MonkeyPatch) -> None:
    def at_once(self: Debts, request: Request, now: float) -> float:
        return now

    monkeypatch.setattr(Debts, "earliest", at_once)
    found = abuse.run(exchanges=1200, seed=5)
    assert int(str(found["wrong_values"])) > 10


def test_the_hostile_stations_crc_is_the_standards() -> None:
    # MODBUS over Serial Line V1.02, appendix B: the frame 02 07 ends in 41 12.
    assert crc(b"\x02\x07") == b"\x41\x12"
