"""Every mistake at the command line is a sentence and the right exit code, never a traceback."""

import json
import socket
from pathlib import Path

import pytest

from tallymast import assets, cli
from tallymast.domain.errors import ConfigError
from tallymast.settings import read_settings

DEMO = assets.demo_data() / "ombrel-basin.toml"


def told(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> tuple[int, str, str]:
    code = cli.run([str(one) for one in arguments])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    return code, out, err


def test_the_demo_network_is_right(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = told(capsys, "network", "check", DEMO)
    assert code == 0
    assert "2 gateways, 24 sites" in out


def test_check_as_json_counts_what_is_there(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = told(capsys, "network", "check", "--json", DEMO)
    assert code == 0
    found = json.loads(out)
    assert found["ok"] is True
    assert found["sites"] == 24
    assert found["mistakes"] == []


def test_a_file_that_is_not_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = told(capsys, "network", "check", tmp_path / "nothing.toml")
    assert code == 2
    assert "nothing.toml cannot be read: No such file" in err


def test_a_broken_file_lists_each_mistake_on_a_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.toml"
    text = DEMO.read_text(encoding="utf-8")
    file.write_text(
        text.replace("poll_every_s", "pol_every_s", 1).replace(
            "contract_hour = ", "contract_hour = 3", 1
        ),
        encoding="utf-8",
    )
    code, _, err = told(capsys, "serve", "--network", file, "--data-dir", tmp_path, "--port", "0")
    assert code == 2
    lines = err.strip().splitlines()
    assert len(lines) == 2
    assert all(line.startswith("mine.toml: [") for line in lines)
    assert any("poll_every_s" in line for line in lines)
    assert not (tmp_path / "tallymast.sqlite3").exists() or not _has_sites(tmp_path)


def _has_sites(folder: Path) -> bool:
    import sqlite3

    with sqlite3.connect(folder / "tallymast.sqlite3") as connection:
        found = connection.execute("SELECT count(*) FROM site").fetchone()[0]
    connection.close()
    return bool(found)


def test_a_port_in_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        code, _, err = told(
            capsys, "serve", "--network", DEMO, "--data-dir", tmp_path, "--port", str(port)
        )
    assert code == 2
    assert err.count("\n") == 1
    assert f"Port {port} on 127.0.0.1 is in use" in err
    assert "--port" in err


def test_a_host_that_others_can_reach(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = told(capsys, "serve", "--data-dir", tmp_path, "--host", "0.0.0.0")
    assert code == 2
    assert "no accounts yet" in err


def test_a_directory_that_cannot_be_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("")
    code, _, err = told(
        capsys, "serve", "--network", DEMO, "--data-dir", tmp_path / "file" / "in", "--port", "0"
    )
    assert code in (2, 3)
    assert err.count("\n") == 1
    assert "file/in" in err


def test_a_database_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "tallymast.sqlite3").write_text("A shopping list, not a database. " * 100)
    code, _, err = told(capsys, "serve", "--network", DEMO, "--data-dir", tmp_path, "--port", "0")
    assert code == 3
    assert err.count("\n") == 1
    assert "tallymast.sqlite3" in err


def test_serving_without_any_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = told(capsys, "serve", "--data-dir", tmp_path, "--port", "0")
    assert code == 2
    assert "There is no network" in err
    assert "--network" in err


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["bench", "raod"], "Did you mean road?"),
        (["bench", "abuse", "--exchanges", "many"], "takes a whole number"),
        (["bench", "abuse", "--speed", "9"], "it takes --exchanges N"),
        (
            ["simulate", "--network", str(DEMO), "--fill", "yesterday", "now"],
            "write a date and time",
        ),
        (
            f"simulate --network {DEMO} --fill 2025-01-01 2025-01-02 --scale 2".split(),
            "--scale belongs to a live simulation",
        ),
        (["serve", "--port", "70000"], "65535"),
        (["frobnicate"], "frobnicate"),
    ],
)
def test_wrong_use(arguments: list[str], part: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = told(capsys, *arguments)
    assert code == 2
    assert part in err


def test_export_gives_back_what_was_imported(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import tomllib

    assert told(capsys, "network", "import", DEMO, "--data-dir", tmp_path)[0] == 0
    out = tmp_path / "out.toml"
    assert told(capsys, "network", "export", out, "--data-dir", tmp_path)[0] == 0
    assert tomllib.loads(out.read_text()) == tomllib.loads(DEMO.read_text())


def test_importing_twice_changes_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert told(capsys, "network", "import", DEMO, "--data-dir", tmp_path)[0] == 0
    code, out, _ = told(capsys, "network", "import", DEMO, "--data-dir", tmp_path)
    assert code == 0
    assert out == ""


def test_a_filled_hour_tells_what_every_site_served(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    truth = tmp_path / "truth.jsonl"
    span = ("--fill", "2025-06-10T00:00Z", "2025-06-10T01:00Z")
    where = ("--data-dir", tmp_path, "--truth", truth)
    assert told(capsys, "simulate", "--network", DEMO, *span, *where)[0] == 0
    lines = [json.loads(line) for line in truth.read_text().splitlines()]
    # The demo has 24 sites, one of them out of season.
    assert len({(line["gateway"], line["unit"]) for line in lines}) == 23
    assert all("2025-06-10T00:00" <= line["at"] < "2025-06-10T01:00" for line in lines)
    assert {line["fate"] for line in lines} == {"sent"}


def test_viewing_is_set_by_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TALLYMAST_VIEWING", "open")
    assert read_settings().viewing == "open"
    assert read_settings(viewing="login").viewing == "login"
    monkeypatch.setenv("TALLYMAST_VIEWING", "perhaps")
    with pytest.raises(ConfigError, match=r"TALLYMAST_VIEWING.*open or login"):
        read_settings()
