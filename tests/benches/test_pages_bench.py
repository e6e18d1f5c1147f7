"""The pages bench tells what it measured, and what a first visit transfers stays small."""

import json

import pytest

from tallymast import cli
from tallymast.benches import pages
from tallymast.domain.errors import ConfigError

KEYS = {
    "round_ms",
    "round_cold_ms",
    "chart_ms",
    "charts",
    "reliability_ms",
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


def test_more_sites_than_unit_addresses_are_refused() -> None:
    # 247 unit addresses a line (MODBUS over Serial Line V1.02, 2.2), two gateways.
    with pytest.raises(ConfigError, match="too many"):
        pages.run(sites=2 * 247 + 1, days=1)
