"""docker/: its install steps work in a fresh environment, and what it starts exists."""

import configparser
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
DOCKER = ROOT / "docker"
pytestmark = pytest.mark.wheel


def instructions() -> list[tuple[str, str]]:
    """The Dockerfile's instructions with their arguments, continued lines joined."""
    text = (DOCKER / "Dockerfile").read_text(encoding="utf-8").replace("\\\n", " ")
    lines = [line for line in text.splitlines() if line.strip() and not line.startswith("#")]
    return [(line.split(None, 1)[0], line.split(None, 1)[1].strip()) for line in lines]


def build_stage() -> list[tuple[str, str]]:
    """The instructions up to the second FROM."""
    found = instructions()
    second = [n for n, (word, _) in enumerate(found) if word == "FROM"][1]
    return found[:second]


def test_its_install_steps_give_a_command_that_works(tmp_path: Path) -> None:
    place, prefix = tmp_path / "src", tmp_path / "opt"
    place.mkdir()
    for word, rest in build_stage():
        if word == "COPY":
            *sources, target = rest.split()
            for source in sources:
                copy(ROOT / source, place / (source if target == "./" else target))
        if word == "RUN":
            command = shlex.split(rest.replace("/opt/tallymast", str(prefix)))
            if command[0] == "python":
                command[0] = sys.executable
            made = subprocess.run(command, cwd=place, capture_output=True, text=True, check=False)
            if made.returncode and os.environ.get("TALLYMAST_CI") != "1":
                pytest.skip(f"the steps need a package index: {made.stderr.strip()[-200:]}")
            assert made.returncode == 0, made.stderr
    tallymast = prefix / "bin" / "tallymast"
    network = ROOT / "demo_data" / "ombrel-basin.toml"
    said = subprocess.run(
        [tallymast, "network", "check", network], capture_output=True, text=True, check=True
    )
    assert "24 sites" in said.stdout
    found = subprocess.run(
        [prefix / "bin" / "python", "-c", "from tallymast import assets; print(assets.web())"],
        capture_output=True,
        text=True,
        check=True,
        cwd=tmp_path,
    )
    assert found.stdout.startswith(str(prefix))


def copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        shutil.copy(source, target)


def test_it_copies_only_what_is_there() -> None:
    for word, rest in instructions():
        if word == "COPY" and not rest.startswith("--from"):
            for source in rest.split()[:-1]:
                assert (ROOT / source).exists(), source


def test_the_builder_is_sent_everything_it_copies_and_nothing_else() -> None:
    lines = (DOCKER / "Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    sent = {line[1:] for line in lines if line.startswith("!")}
    copied = {
        source
        for word, rest in instructions()
        if word == "COPY" and not rest.startswith("--from")
        for source in rest.split()[:-1]
    }
    assert "*" in lines
    assert sent == copied


def test_it_runs_as_nobody_special_and_says_how_it_is() -> None:
    found = dict(instructions())  # of each word the last
    assert found["USER"] == "tallymast"
    assert "/healthz" in found["HEALTHCHECK"]
    assert json.loads(found["ENTRYPOINT"]) == ["tallymast"]
    check = json.loads(found["HEALTHCHECK"].partition("CMD ")[2])
    compile(check[2], "healthcheck", "exec")


def options_of(command: str) -> str:
    return subprocess.run(
        [sys.executable, "-m", "tallymast", command, "--help"],
        capture_output=True,
        text=True,
        check=True,
    ).stdout


def assert_understood(words: list[str]) -> None:
    """Assert that a command and every option it is given exist."""
    known = options_of(words[0])
    for option in words[1:]:
        if option.startswith("--"):
            assert option in known, f"{words[0]} has no {option}"


def test_compose_starts_commands_that_exist_on_the_loopback() -> None:
    text = (DOCKER / "compose.yaml").read_text(encoding="utf-8")
    commands = [json.loads(found) for found in re.findall(r"command: (\[.*\])", text)]
    assert [command[0] for command in commands] == ["simulate", "serve"]
    for command in commands:
        assert_understood(command)
        network = command[command.index("--network") + 1]
        name = network.removeprefix("/usr/share/tallymast/")
        assert (ROOT / "demo_data" / name).is_file()
    assert text.count("network_mode: host") == 2
    assert "ports:" not in text  # publishing comes with accounts


def test_the_service_unit_starts_a_command_that_exists() -> None:
    unit = configparser.ConfigParser(strict=False, interpolation=None)
    unit.optionxform = str  # type: ignore[assignment,method-assign]
    unit.read(DOCKER / "tallymast.service", encoding="utf-8")
    service = unit["Service"]
    words = shlex.split(service["ExecStart"])
    assert words[0] == "/opt/tallymast/bin/tallymast"
    assert_understood(words[1:])
    assert service["DynamicUser"] == "yes"
    assert service["StateDirectory"] == "tallymast"
    assert service["Environment"] == "TALLYMAST_DATA_DIR=/var/lib/tallymast"
