"""`tallymast report`: files at the machine, and a sentence and an exit code for every mistake."""

import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import openpyxl
import pytest
from tests.routes.conftest import begin
from tests.routes.test_reliability import at, closed, four_days

from tallymast import cli
from tallymast.domain.errors import ConfigError
from tallymast.domain.record.days import Contract
from tallymast.reporting import period_of

NOW_MS = at("2026-04-02 12:00")
UTC7 = Contract("UTC", 7)


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A data directory with four days of one site and two kept rounds."""
    folder = tmp_path_factory.mktemp("recorded")
    world = begin(folder)
    four_days(world)
    closed(world)
    two_rounds_of(world)
    world.database.close()
    return folder


def two_rounds_of(world: object) -> None:
    from tests.routes.test_report_files import OVER, STAYS, TODAY, keep_round

    keep_round(world, TODAY - 1, OVER)  # type: ignore[arg-type]
    keep_round(world, TODAY, STAYS)  # type: ignore[arg-type]


@pytest.fixture(autouse=True)
def april(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """Let it be April 2026, so that the last whole month is March."""
    monkeypatch.setattr("tallymast.wall.now_ms", lambda: NOW_MS)
    return


def told(capsys: pytest.CaptureFixture[str], *arguments: object) -> tuple[int, str]:
    code = cli.run([str(one) for one in arguments])
    out, err = capsys.readouterr()
    assert out == ""
    assert "Traceback" not in err
    return code, err


DAYS = ("--from", "2026-03-06", "--to", "2026-03-07")


@pytest.mark.parametrize("ending", ["html", "csv", "xlsx"])
def test_reliability_is_written_in_each_format(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], ending: str
) -> None:
    file = tmp_path / f"march.{ending}"
    code, err = told(capsys, "report", "reliability", *DAYS, "--out", file, "--data-dir", recorded)
    assert code == 0
    assert err == f"{file}: reliability of 6 Mar to 7 Mar 2026.\n"
    assert [one.name for one in tmp_path.iterdir()] == [file.name]
    if ending == "xlsx":
        rows = [*openpyxl.load_workbook(file)["Sites"].values]
        quill = dict(zip(rows[0], rows[1], strict=True))
        assert (quill["polls asked"], quill["polls answered"]) == (288, 281)
    else:
        assert "Quill Tank" in file.read_text(encoding="utf-8")


def test_the_usual_reports_are_the_last_month_and_the_newest_round(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = ("--data-dir", recorded)
    month, one = tmp_path / "month.html", tmp_path / "round.HTML"
    assert told(capsys, "report", "reliability", "--out", month, *where) == (
        0,
        f"{month}: reliability of March 2026.\n",
    )
    assert "against Feb 2026" in month.read_text(encoding="utf-8")
    assert told(capsys, "report", "round", "--out", one, *where) == (
        0,
        f"{one}: round of 8 March 2026.\n",
    )
    both = tmp_path / "rounds.csv"
    span = ("--from", "2026-03-07T00:00Z", "--to", "2026-03-08T07:00:00.001Z")
    assert told(capsys, "report", "round", *span, "--out", both, *where) == (
        0,
        f"{both}: 2 rounds of 7 March 2026 to 8 March 2026.\n",
    )
    one_day = tmp_path / "one.txt"
    span = ("--from", "2026-03-07T00:00Z", "--to", "2026-03-08T07:00Z")  # the end is not in it
    more = ("--format", "csv", "--out", one_day, *where)
    assert told(capsys, "report", "round", *span, *more) == (
        0,
        f"{one_day}: round of 7 March 2026.\n",
    )


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["reliability", "--from", "yesterday"], "--from is 'yesterday'; write a day like"),
        (["reliability", "--from", "2026-02-30"], "--from is '2026-02-30'; write a day like"),
        (
            ["reliability", "--from", "2026-03-06T07:00"],
            "a time without its zone; write 2026-03-06T07:00Z for UTC",
        ),
        (["reliability", "--to", "2026-03-06"], "--from is missing"),
        (
            ["reliability", "--from", "2026-03-07", "--to", "2026-03-06"],
            "--from 2026-03-07 lies after --to 2026-03-06.",
        ),
        (
            ["round", "--from", "2026-03-07T00:00Z", "--to", "2026-03-07T00:00Z"],
            "--from does not lie before --to",
        ),
        (["reliability", "--from", "2026-05-01"], "begins in the future"),
        (["reliability", "--from", "2024-01-01", "--to", "2026-01-01"], "366 days long at most"),
        (["reliability", "--from", "2020-01-01T00:00Z"], "366 days long at most"),
        (
            ["reliability", "--from", "2025-06-01", "--to", "2025-06-30"],
            "The record has no poll of June 2025: there is nothing to report.",
        ),
        (["round", "--from", "2026-01-01", "--to", "2026-01-31"], "No Morning round is kept of"),
        (["weather"], "weather"),
        (["round", "--format", "pdf"], "pdf"),
    ],
)
def test_a_wrong_wish_is_a_sentence_and_writes_nothing(
    recorded: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    part: str,
) -> None:
    out = ("--out", tmp_path / "a.html", "--data-dir", recorded)
    code, err = told(capsys, "report", *arguments, *out)
    assert code == 2
    assert part in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("file", "part"),
    [
        ("a.pdf", "a.pdf does not end with .html, .csv or .xlsx; rename it or say --format."),
        ("a", "a does not end with"),
        ("nowhere/a.html", "is no directory; make it first"),
        ("mine.html/a.html", "is no directory"),
        ("mine.html", "is there already and stays as it is"),
    ],
)
def test_a_file_that_cannot_be_written_is_told_before_the_work(
    recorded: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], file: str, part: str
) -> None:
    (tmp_path / "mine.html").write_text("mine")
    more = ("--out", tmp_path / file, "--data-dir", recorded)
    code, err = told(capsys, "report", "reliability", *more)
    assert code == 2
    assert part in err
    assert err.count("\n") == 1
    assert (tmp_path / "mine.html").read_text() == "mine"
    assert len(list(tmp_path.iterdir())) == 1


def test_an_empty_directory_and_an_empty_record(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "a.html"
    code, err = told(
        capsys, "report", "reliability", "--out", file, "--data-dir", tmp_path / "none"
    )
    assert code == 3
    assert err.count("\n") == 1
    (tmp_path / "empty").mkdir()
    begin(tmp_path / "empty").database.close()
    for what, part in (
        ("reliability", "The record has no poll of March 2026"),
        ("round", "No Morning round is kept yet"),
    ):
        code, err = told(capsys, "report", what, "--out", file, "--data-dir", tmp_path / "empty")
        assert code == 2
        assert part in err
    assert not file.exists()


def test_the_installed_command_ends_with_the_same_code(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tallymast", "report", "round", "--out", str(tmp_path / "a.pdf")],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert done.stderr == (
        "a.pdf does not end with .html, .csv or .xlsx; rename it or say --format.\n"
    )


def test_a_period_begins_and_ends_where_its_words_say() -> None:
    # Contract days begin at 07:00.
    some = period_of("2026-03-06", "2026-03-07", UTC7, NOW_MS)
    assert (some.from_ms, some.to_ms) == (at("2026-03-06 07:00"), at("2026-03-08 07:00"))
    assert some.before_ms == at("2026-03-04 07:00")
    month = period_of("2026-02-01", "2026-02-28", UTC7, NOW_MS)
    assert month.before_ms == at("2026-01-01 07:00")  # the month before, of 31 days
    span = period_of("2026-03-06T01:30+02:00", "2026-03-07", UTC7, NOW_MS)
    assert (span.from_ms, span.to_ms) == (at("2026-03-05 23:30"), at("2026-03-08 07:00"))
    open_ = period_of("2026-04-01", "", UTC7, NOW_MS)
    assert (open_.from_ms, open_.to_ms, open_.goes_on) == (at("2026-04-01 07:00"), NOW_MS, True)


@pytest.mark.parametrize("text", ["1970-01-01T00:00Z", "0001-01-01T00:00Z"])
def test_times_before_all_records_are_refused(text: str) -> None:
    with pytest.raises(ConfigError):
        period_of(text, "1970-01-03T00:00Z", UTC7, NOW_MS)
