"""docker/: its install steps work in a fresh environment, and what it starts exists."""

import configparser
import json
import os
import re
import shlex
import shutil
import subprocess
import sys
import threading
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
import typer

from tallymast import cli

ROOT = Path(__file__).parent.parent
DOCKER = ROOT / "docker"
IMAGE_DEMO_DATA = "/usr/share/tallymast"
NO_INDEX = ("connection broken by", "Could not fetch URL")  # pip's words for an index out of reach
IN_CI = os.environ.get("TALLYMAST_CI") == "1"
pytestmark = pytest.mark.wheel


# --- the image ------------------------------------------------------------------------


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


def copied() -> list[tuple[list[str], str]]:
    """What is copied from the repository: sources and target."""
    parts = [
        rest.split() for word, rest in instructions() if word == "COPY" and "--from" not in rest
    ]
    return [(sources, target) for *sources, target in parts]


def copy(source: Path, target: Path) -> None:
    if source.is_dir():
        shutil.copytree(source, target, ignore=shutil.ignore_patterns("__pycache__"))
    else:
        shutil.copy(source, target)


def fresh_environment(place: Path) -> dict[str, str]:
    """An environment in which `python` is this one, and nothing of the checkout is in sight."""
    folder = place / "bin"
    folder.mkdir()
    python = folder / "python"
    python.write_text(f'#!/bin/sh\nexec {shlex.quote(sys.executable)} "$@"\n', encoding="utf-8")
    python.chmod(0o755)
    known = {key: value for key, value in os.environ.items() if not key.startswith("PYTHON")}
    ours = {"PATH": f"{folder}{os.pathsep}{known['PATH']}"}
    ours["PIP_NO_COMPILE"] = "0"  # pip reads 0 as "do not compile", which saves a third of the time
    if not IN_CI:
        ours["PIP_RETRIES"] = "1"  # without an index, skip soon
    return known | ours


def run_step(step: str, place: Path, environment: dict[str, str]) -> None:
    """Run one RUN line, its paths below ``place``; skip where no package index is in reach."""
    step = re.sub(r"(?<![\w.])/(opt|wheel)\b", rf"{place}/\1", step)
    made = subprocess.run(
        ["sh", "-c", step],
        cwd=place / "src",
        env=environment,
        capture_output=True,
        text=True,
        check=False,
    )
    told = made.stdout + made.stderr
    if made.returncode and not IN_CI and any(words in told for words in NO_INDEX):
        pytest.skip("the image's install steps need a package index, and none can be reached")
    assert made.returncode == 0, f"{step}\n{told}"


def test_its_install_steps_give_a_command_that_works(tmp_path: Path) -> None:
    environment = fresh_environment(tmp_path)
    (tmp_path / "src").mkdir()
    for word, rest in build_stage():
        if word == "COPY":
            *sources, target = rest.split()
            for source in sources:
                name = source if target == "./" else target
                copy(ROOT / source, tmp_path / "src" / name)
        if word == "RUN":
            run_step(rest, tmp_path, environment)
    folder = tmp_path / "opt" / "tallymast" / "bin"

    def told(program: str, *arguments: str | Path) -> str:
        return subprocess.run(
            [folder / program, *arguments],
            cwd=tmp_path,
            env=environment,
            capture_output=True,
            text=True,
            check=True,
        ).stdout

    shutil.rmtree(tmp_path / "src")  # the second stage has it no more
    assert "serve" in told("tallymast", "--help")
    assert "24 sites" in told(
        "tallymast", "network", "check", ROOT / "demo_data" / "ombrel-basin.toml"
    )
    where = told("python", "-c", "from tallymast import assets; print(assets.web())")
    assert where.startswith(str(tmp_path / "opt"))


def test_it_copies_only_what_is_there() -> None:
    for sources, _ in copied():
        for source in sources:
            assert (ROOT / source).exists(), source


def test_the_builder_is_sent_everything_it_copies_and_nothing_else() -> None:
    lines = (DOCKER / "Dockerfile.dockerignore").read_text(encoding="utf-8").splitlines()
    assert "*" in lines
    sent = {line[1:] for line in lines if line.startswith("!")}
    assert sent == {source for sources, _ in copied() for source in sources}


def test_both_stages_stand_on_one_python_that_the_project_supports() -> None:
    bases = {rest.split()[0] for word, rest in instructions() if word == "FROM"}
    assert len(bases) == 1  # an environment works only under the Python that made it
    base = re.fullmatch(r"python:(\d+)\.(\d+)-slim", bases.pop())
    assert base
    with (ROOT / "pyproject.toml").open("rb") as file:
        least = tomllib.load(file)["project"]["requires-python"].removeprefix(">=").split(".")
    assert [int(part) for part in base.groups()] >= [int(part) for part in least]


def test_it_runs_as_nobody_special_and_keeps_its_data_in_a_volume() -> None:
    found = dict(instructions())  # of each word the last
    assert found["USER"] == "tallymast"
    assert found["VOLUME"] == "/data"
    assert "TALLYMAST_DATA_DIR=/data" in found["ENV"]
    assert json.loads(found["ENTRYPOINT"]) == ["tallymast"]
    assert_understood(json.loads(found["CMD"]))


@contextmanager
def answering(status: int) -> Iterator[int]:
    """Serve ``status`` at /healthz, and 404 elsewhere, on the port given back."""

    class Answer(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(status if self.path == "/healthz" else 404)
            self.end_headers()

        def log_message(self, format: str, *args: object) -> None:
            pass

    with HTTPServer(("127.0.0.1", 0), Answer) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        try:
            yield server.server_port
        finally:
            server.shutdown()
            thread.join()


@pytest.mark.parametrize(("status", "healthy"), [(200, True), (503, False)])
def test_its_health_check_believes_the_server_at_the_port_served(
    status: int, healthy: bool
) -> None:
    check = json.loads(dict(instructions())["HEALTHCHECK"].partition("CMD ")[2])
    assert check[0] == "python"
    with answering(status) as port:
        done = subprocess.run(
            [sys.executable, *check[1:]],
            # A proxy handed to the container has no say on the loopback; port 9 takes nobody.
            env=os.environ | {"TALLYMAST_PORT": str(port), "http_proxy": "http://127.0.0.1:9"},
            capture_output=True,
            check=False,
        )
    assert (done.returncode == 0) is healthy


# --- compose --------------------------------------------------------------------------


def assert_understood(words: list[str]) -> None:
    """Assert that the command line's own parser takes a command with its options."""
    group = typer.main.get_command(cli.app)
    with group.make_context("tallymast", list(words)) as context:
        name, command, rest = group.resolve_command(context, list(words))  # type: ignore[attr-defined]
        command.make_context(name, rest, parent=context).close()


def services() -> dict[str, str]:
    """Compose's services, each with the text of its block."""
    text = (DOCKER / "compose.yaml").read_text(encoding="utf-8")
    block = text.partition("\nservices:\n")[2].partition("\nvolumes:\n")[0]
    parts = re.split(r"^  (\w+):\n", block, flags=re.MULTILINE)[1:]
    return dict(zip(parts[::2], parts[1::2], strict=True))


def command_of(block: str) -> list[str]:
    found = re.search(r"^    command: (\[.*\])$", block, flags=re.MULTILINE)
    assert found
    words = json.loads(found[1])
    assert isinstance(words, list)
    return words


def test_compose_starts_commands_that_the_command_line_takes() -> None:
    commands = {name: command_of(block) for name, block in services().items()}
    assert {name: words[0] for name, words in commands.items()} == {
        "simulate": "simulate",
        "tallymast": "serve",
    }
    assert (["demo_data"], IMAGE_DEMO_DATA) in copied()
    for words in commands.values():
        assert_understood(words)
        network = Path(words[words.index("--network") + 1])
        assert str(network.parent) == IMAGE_DEMO_DATA
        assert (ROOT / "demo_data" / network.name).is_file()


def test_an_option_that_is_not_there_would_be_found_out() -> None:
    with pytest.raises(Exception, match="No such option"):
        assert_understood(["serve", "--prot", "8080"])


def test_compose_gives_its_services_the_loopback_and_little_else() -> None:
    for name, block in services().items():
        lines = {line.strip() for line in block.splitlines()}
        assert lines >= {
            "network_mode: host",
            "pull_policy: never",
            "restart: unless-stopped",
            "read_only: true",
            'tmpfs: ["/tmp"]',
            "cap_drop: [ALL]",
            'security_opt: ["no-new-privileges:true"]',
        }, name
        assert "ports:" not in lines  # publishing comes with accounts
        assert "--port" not in command_of(block)  # the health check asks at TALLYMAST_PORT
    assert 'volumes: ["data:/data"]' in services()["tallymast"]


# --- systemd --------------------------------------------------------------------------


def unit() -> configparser.ConfigParser:
    parsed = configparser.ConfigParser(strict=False, interpolation=None)
    parsed.optionxform = str  # type: ignore[assignment,method-assign]
    parsed.read(DOCKER / "tallymast.service", encoding="utf-8")
    return parsed


def test_the_service_unit_starts_a_command_that_the_command_line_takes() -> None:
    service = unit()["Service"]
    program, *words = shlex.split(service["ExecStart"])
    assert program == "/opt/tallymast/bin/tallymast"
    assert_understood(words)
    assert service["Environment"] == "TALLYMAST_DATA_DIR=/var/lib/tallymast"
    assert service["RestartPreventExitStatus"] == "2"
    assert cli.run(["network", "check", "/nothing/here.toml"]) == 2


def test_the_service_unit_gives_the_service_little() -> None:
    wanted = {
        "User": "tallymast",
        "DynamicUser": "yes",
        "StateDirectory": "tallymast",
        "NoNewPrivileges": "yes",
        "PrivateTmp": "yes",
        "ProtectSystem": "strict",
        "RestrictAddressFamilies": "AF_INET AF_INET6 AF_UNIX",
        "CapabilityBoundingSet": "",
        "Restart": "on-failure",
        "KillSignal": "SIGTERM",
    }
    service = unit()["Service"]
    assert {key: service.get(key) for key in wanted} == wanted


def test_systemd_has_nothing_to_say_against_the_unit(tmp_path: Path) -> None:
    if not shutil.which("systemd-analyze"):
        pytest.skip("systemd-analyze is not on the PATH")
    text = (DOCKER / "tallymast.service").read_text(encoding="utf-8")
    program = unit()["Service"]["ExecStart"].split()[0]
    copy_of_it = tmp_path / "tallymast.service"
    # Only the program is another, because it has to exist here.
    copy_of_it.write_text(text.replace(f"={program} ", f"={sys.executable} "), encoding="utf-8")
    said = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", copy_of_it],
        capture_output=True,
        text=True,
        check=False,
    ).stderr
    assert [line for line in said.splitlines() if "tallymast.service" in line] == []
