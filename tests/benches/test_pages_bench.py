"""The pages bench tells what it measured, and what a first visit transfers stays small."""

import json

import pytest

from tallymast import cli
from tallymast.benches import pages
from tallymast.domain import network_file

KEYS = {
    "round_ms",
    "round_cold_ms",
    "round_all_ms",
    "chart_ms",
    "charts",
    "reliability_ms",
    "month_ms",
    "round_bytes",
    "page_bytes",
    "dom_nodes",
    "first_paint_ms",
}


def test_it_tells_every_figure_of_a_small_network(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.delenv("TALLYMAST_CHROMIUM", raising=False)
    monkeypatch.setattr("shutil.which", lambda name: None)  # without a browser
    monkeypatch.setattr(pages, "TIMES", 3)
    assert cli.run(["bench", "pages", "--sites", "3", "--days", "2"]) == 0
    found = json.loads(capsys.readouterr().out.splitlines()[-1])
    assert found.keys() >= KEYS
    assert found["sites"] == 3
    assert set(found["charts"]) == {"24 h", "7 d", "30 d", "1 y"}
    assert found["chart_ms"] == max(found["charts"].values())
    assert found["first_paint_ms"] is None
    assert found["page_bytes"] < found["round_bytes"] <= 100_000  # the project's own budget


def test_wrong_use_is_refused_in_a_sentence(capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.run(["bench", "pages", "--sites", "0"]) == 2
    assert "at least one site" in capsys.readouterr().err


def test_more_sites_than_unit_addresses_come_behind_more_gateways() -> None:
    # 247 unit addresses a line (MODBUS over Serial Line V1.02, 2.2); the demo has two gateways.
    network = network_file.build(pages._written(2 * 247 + 2), "many.toml")
    assert len(network.sites) == 2 * 247 + 2
    assert len(network.gateways) >= 3  # two lines hold 494
    addresses = {(site.gateway, site.unit) for site in network.sites}
    assert len(addresses) == len(network.sites)
    assert all(1 <= unit <= 247 for _, unit in addresses)
