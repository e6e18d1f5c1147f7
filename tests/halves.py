"""Runs the whole suite as two pytest processes at a time, one a core: ``python tests/halves.py``.

What opens browsers or starts the program is one half, every other folder, also one that comes
later, is the other. The first half is seen as it runs; what the second says follows whole. It
fails where either half fails and, in CI, where a group of tests was executed by neither.
"""

import json
import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

TESTS = Path(__file__).resolve().parent
FIRST = ("browser", "journeys")
GROUPS = ("wheel", "browser", "libmodbus", "postgres")
COUNTS = "TALLYMAST_TEST_COUNTS"  # names the file a half leaves its counts in
NOTHING = 5  # what pytest ends with where it found no test


def halves() -> dict[str, list[str]]:
    """Return what pytest is told for each half: together the suite, and no test twice."""
    named = [f"tests/{name}" for name in FIRST]
    return {
        " and ".join(named): named,
        "the rest": ["tests", *(f"--ignore={name}" for name in named)],
    }


def start(told: Sequence[str], counts: Path, says: IO[bytes] | None) -> subprocess.Popen[bytes]:
    """Start pytest on a half; ``says`` takes its output, None leaves it on the screen."""
    cache = f"cache_dir=.pytest_cache/{counts.stem}"  # both would write one
    return subprocess.Popen(
        [sys.executable, "-m", "pytest", "-q", "-o", cache, *told],
        cwd=TESTS.parent,
        env={**os.environ, COUNTS: str(counts)},
        stdin=subprocess.DEVNULL,
        stdout=says,
        stderr=None if says is None else subprocess.STDOUT,
    )


def verdict(codes: Mapping[str, int], ran: Mapping[str, int], in_ci: bool) -> list[str]:
    """Return what is wrong with a run, a line each; nothing wrong is no line."""
    wrong = [f"{half}: {_ended(code)}" for half, code in codes.items() if code]
    missing = [group for group in GROUPS if not ran.get(group)]
    if in_ci and missing:
        wrong.append(f"nothing was executed in: {', '.join(missing)}; CI may not skip these")
    return wrong


def _ended(code: int) -> str:
    return "no test was found" if code == NOTHING else f"failed (pytest ended with {code})"


def counted(files: Sequence[Path]) -> Counter[str]:
    """Return how many tests of each group were executed; a half that broke off counts none."""
    ran: Counter[str] = Counter()
    for file in files:
        if file.is_file():
            ran.update(json.loads(file.read_text(encoding="utf-8")))
    return ran


def run(folder: Path) -> list[str]:
    """Run both halves, show what they say, and return what is wrong."""
    names, told = list(halves()), list(halves().values())
    files = [folder / "first.json", folder / "second.json"]
    with (folder / "second.txt").open("w+b") as later:
        print(f"two halves at a time; first what {names[0]} say, then {names[1]}", flush=True)
        started = [start(told[0], files[0], None), start(told[1], files[1], later)]
        try:
            codes = [one.wait() for one in started]
        except KeyboardInterrupt:  # both were told by the terminal as well
            codes = [one.wait() or 2 for one in started]
        later.seek(0)
        print(f"\n{names[1]}:", flush=True)
        sys.stdout.buffer.write(later.read())
    ran = counted(files)
    print(f"\nexecuted by group: {', '.join(f'{group} {ran[group]}' for group in GROUPS)}")
    return verdict(dict(zip(names, codes, strict=True)), ran, os.environ.get("TALLYMAST_CI") == "1")


def main() -> int:
    """Return 0 where everything passed, 1 else."""
    with tempfile.TemporaryDirectory(prefix="tallymast-halves-") as folder:
        wrong = run(Path(folder))
    print("\n".join(wrong) or "both halves passed", flush=True)
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
