"""Every mistake at the command line is a sentence and the right exit code, never a traceback."""

import json
import socket
from pathlib import Path

import pytest

from tallymast import assets, cli
from tallymast.domain.errors import ConfigError
from tallymast.settings import read_settings
from tallymast.storage.engine import open_database

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


def test_a_report_without_any_network(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    open_database(tmp_path / "tallymast.sqlite3").close()
    out = tmp_path / "report.html"
    code, _, err = told(capsys, "report", "reliability", "--out", out, "--data-dir", tmp_path)
    assert code == 2
    assert "There is no network" in err
    assert "--network" in err
    assert not out.exists()


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


# --- export ---------------------------------------------------------------------------


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with the demo's network and six simulated hours."""
    folder = tmp_path_factory.mktemp("recorded")
    span = ("2026-03-08T06:00Z", "2026-03-08T12:00Z")
    code = cli.run(["simulate", "--network", str(DEMO), "--fill", *span, "--data-dir", str(folder)])
    assert code == 0
    return folder


ON = ["--from", "2026-03-08T00:00", "--to", "2026-03-08T04:00"]


def test_export_writes_each_format_with_the_same_rows(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import csv

    import openpyxl
    from pyarrow import parquet

    where = ["--points", "quill-tank/LVL,quill-tank/VBAT", *ON, "--data-dir", recorded]
    for ending in ("csv", "xlsx", "parquet"):
        code, out, err = told(capsys, "export", tmp_path / f"a.{ending}", *where)
        assert (code, out) == (0, "")
        assert "of 2 points, every poll." in err
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    # A time without zone is the network's, Denver's. Its clocks go on by an hour at 02:00, so
    # that from 00:00 to 04:00 three hours pass; Quill Tank is polled every 15 s.
    assert len(rows) == 2 * 3 * 240
    assert rows[0]["time (America/Denver)"].startswith("2026-03-08T00:00")
    assert rows[-1]["time (America/Denver)"].startswith("2026-03-08T03:59")
    sheet = openpyxl.load_workbook(tmp_path / "a.xlsx")["Readings"]
    assert [str(row[4]) for row in sheet.values][1:] == [row["name"] for row in rows]
    table = parquet.read_table(tmp_path / "a.parquet")
    assert table["value"].to_pylist() == [
        float(row["value"]) if row["value"] else None for row in rows
    ]


def test_export_to_stdout_is_csv_and_nothing_else(
    recorded: Path, capsysbinary: pytest.CaptureFixture[bytes]
) -> None:
    code = cli.run(
        ["export", "-", "--site=quill-tank", *ON, "--resolution=hour", f"--data-dir={recorded}"]
    )
    out, err = capsysbinary.readouterr()
    assert code == 0
    assert out.startswith(b"begins (America/Denver),begins (UTC),site,point,name,readings,")
    assert out.count(b"\r\n") == 1 + 12 * 3
    assert b"stdout: 36 rows of 12 points, by hour." in err


@pytest.mark.parametrize(
    ("file", "more", "part"),
    [
        ("a.csv", ["--points", "quill-tank/LVX"], 'the nearest is "LVL"'),
        ("a.csv", ["--site", "quil-tank"], 'the nearest is "quill-tank"'),
        ("a.csv", [], "Nothing is chosen"),
        ("a.ods", ["--site", "quill-tank"], "does not end with .csv, .xlsx or .parquet"),
        ("-", ["--site", "quill-tank", "--format", "xlsx"], "Only CSV is written to stdout"),
        ("a.csv", ["--site", "quill-tank", "--to", "noon"], "--to is 'noon'; write a day"),
        ("a.csv", ["--site", "quill-tank", "--to", "2026-03-07"], "begin before it ends"),
        ("there.csv", ["--site", "quill-tank"], "is there already and stays as it is"),
    ],
)
def test_export_refuses_in_a_sentence(
    recorded: Path,
    tmp_path: Path,
    file: str,
    more: list[str],
    part: str,
    capsys: pytest.CaptureFixture[str],
) -> None:
    (tmp_path / "there.csv").write_text("mine")
    place = file if file == "-" else tmp_path / file
    code, out, err = told(capsys, "export", place, *ON, *more, "--data-dir", recorded)
    assert (code, out) == (2, "")
    assert part in err
    assert [path.name for path in tmp_path.iterdir()] == ["there.csv"]
    assert (tmp_path / "there.csv").read_text() == "mine"


def test_export_needs_a_period(recorded: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = told(capsys, "export", "-", "--site", "quill-tank", "--data-dir", recorded)
    assert code == 2
    assert "--from is missing" in err
