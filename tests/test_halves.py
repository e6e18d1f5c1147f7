"""The suite run in two halves is the whole suite, and fails where one run of it would."""

import json
import os
import subprocess
import sys
from pathlib import Path

from tests import halves

ALL = dict.fromkeys(halves.GROUPS, 3)
PASSED = {"one": 0, "other": 0}


def test_every_folder_of_tests_is_in_one_half_and_none_in_both() -> None:
    first, rest = halves.halves().values()
    assert rest[0] == "tests"
    assert rest[1:] == [f"--ignore={name}" for name in first]
    for name in first:  # a folder renamed would be run by nobody, in silence
        assert (halves.TESTS.parent / name / "conftest.py").is_file()


def test_a_run_is_right_only_where_both_halves_passed() -> None:
    assert halves.verdict(PASSED, ALL, in_ci=True) == []
    for code in (1, 2, 3, 4, 5, -9):
        for half in PASSED:
            (said,) = halves.verdict({**PASSED, half: code}, ALL, in_ci=False)
            assert said.startswith(half)


def test_in_ci_a_group_that_neither_half_executed_fails_the_run(tmp_path: Path) -> None:
    one, other = tmp_path / "one.json", tmp_path / "other.json"
    one.write_text(json.dumps({"browser": 2, "libmodbus": 1}))
    other.write_text(json.dumps({"postgres": 4, "wheel": 1, "libmodbus": 2}))
    assert halves.counted([one, other])["libmodbus"] == 3
    assert halves.verdict(PASSED, halves.counted([one, other]), in_ci=True) == []
    (said,) = halves.verdict(PASSED, halves.counted([one, tmp_path / "broke off"]), in_ci=True)
    assert said.startswith("nothing was executed in: wheel, postgres;")
    assert halves.verdict(PASSED, {}, in_ci=False) == []


def test_a_failing_test_of_the_later_half_is_shown_whole_and_ends_the_run_with_1(
    tmp_path: Path,
) -> None:
    for name, says in (("browser", "pass"), ("journeys", "pass"), ("other", "assert 6 * 7 == 41")):
        (tmp_path / "tests" / name).mkdir(parents=True)
        text = f"def test_{name}():\n    {says}\n"
        (tmp_path / "tests" / name / f"test_{name}.py").write_text(text)
    (tmp_path / "tests" / "halves.py").write_text(Path(halves.__file__).read_text())
    done = subprocess.run(
        [sys.executable, "tests/halves.py"],
        check=False,
        cwd=tmp_path,
        env={key: value for key, value in os.environ.items() if key != "TALLYMAST_CI"},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 1
    assert "2 passed" in done.stdout
    assert "assert (6 * 7) == 41" in done.stdout
    assert done.stdout.endswith("the rest: failed (pytest ended with 1)\n")
