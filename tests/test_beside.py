"""What is known of a demo's older days while another process writes them."""

import subprocess
import sys

import pytest

from tallymast.beside import OlderDays, progress


@pytest.mark.parametrize(
    ("program", "is_there", "words"),
    [
        ("print('1 of 2'); print('2 of 2')", True, ""),
        ("print('1 of 2: it waits'); import os; os.kill(os.getpid(), 15)", False, ""),  # by us
        ("print('1 of 2'); print('ended: A day lacks.'); exit(1)", False, "A day lacks."),
        ("print('1 of 2: it waits'); exit(1)", False, "Writing the demo's older days has ended by"),
    ],
)
def test_older_days_are_there_when_all_were_written(
    program: str, is_there: bool, words: str
) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", program], stdout=subprocess.PIPE, text=True
    ) as process:
        watch = OlderDays(process)
        assert not watch.is_there
        watch.start()
        watch.join()
    assert watch.is_there == is_there
    assert watch.words.startswith(words)
    assert bool(watch.words) == bool(words)


def test_what_waits_is_said_beside_how_far_it_is() -> None:
    said = "Writing 26 Sep waits: it is locked. Tried once, again in 5 s."
    assert progress("12 of 60", said).endswith(f"12 of 60 are there. {said}")
    assert progress("12 of 60").endswith("being written: 12 of 60 are there.")
    assert progress("60 of 60", said) == said  # of what follows the days
    assert progress("60 of 60") == ""
    assert progress("waits", said) == said  # before the days are counted
