"""What every test may lean on, and the count of what has really been run."""

import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import settings
from tests.halves import COUNTS, GROUPS
from tests.postgres import server, server_folder

settings.register_profile("untimed", deadline=None)  # how long a test takes asserts nothing
settings.load_profile("untimed")

REPOSITORY = Path(__file__).resolve().parent.parent
IN_CI = os.environ.get("TALLYMAST_CI") == "1"

_ran: Counter[str] = Counter()


@pytest.fixture(scope="session")
def repository() -> Path:
    """The checkout the tests lie in."""
    return REPOSITORY


@pytest.fixture(scope="session")
def reference() -> Path:
    """The folder of third-party check values, which does not belong to the project."""
    folder = Path(os.environ.get("TALLYMAST_SHARED", REPOSITORY.parent / "shared")) / "reference"
    if not folder.is_dir():
        pytest.skip(f"third-party check values are not here ({folder.name}/ beside the checkout)")
    return folder


@pytest.fixture(scope="session")
def postgres() -> Iterator[str]:
    """The URL of a PostgreSQL server; where there is none, its tests are skipped."""
    with server_folder() as folder, server(folder) as url:
        yield url


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    # Playwright keeps an event loop running in this thread from its first test to the end.
    items.sort(key=lambda item: item.get_closest_marker("browser") is not None)


@pytest.hookimpl(hookwrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Iterator[None]:
    outcome = yield
    report = outcome.get_result()  # type: ignore[attr-defined]
    if report.when == "call" and not report.skipped:
        for group in GROUPS:
            if item.get_closest_marker(group):
                _ran[group] += 1


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    if IN_CI and COUNTS not in os.environ:
        counts = ", ".join(f"{group} {_ran[group]}" for group in GROUPS)
        terminalreporter.write_line(f"executed by group: {counts}")


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    if COUNTS in os.environ:  # a half: only both together can lack a group
        Path(os.environ[COUNTS]).write_text(json.dumps(_ran), encoding="utf-8")
        return
    missing = [group for group in GROUPS if not _ran[group]]
    if IN_CI and missing and exitstatus == 0 and not session.config.option.collectonly:
        print(f"\nnothing was executed in: {', '.join(missing)}; CI may not skip these")
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
