"""What is known of a demo's older days while another process writes them."""

import subprocess
import sys

import pytest

from tallymast.beside import OlderDays


@pytest.mark.parametrize(
    ("program", "is_there"),
    [
        ("print('1 of 2'); print('2 of 2')", True),
        ("print('1 of 2'); raise SystemExit(3)", False),  # it was ended, or failed
    ],
)
def test_older_days_are_there_when_all_were_written(program: str, is_there: bool) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, text=True
    ) as process:
        watch = OlderDays(process)
        assert not watch.is_there
        watch.start()
        watch.join()
    assert (watch.is_there, watch.words) == (is_there, "")
