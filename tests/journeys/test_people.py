"""People, from the first start: link, commands with the server up and down, an ended session."""

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import httpx
import pytest
from tests.journeys.conftest import READY, Command

from tallymast import assets, cli

NETWORK = assets.demo_data() / "one-station.toml"
FIRST = "The first supervisor chooses a password, within 24 hours and once, at "
PASSWORD = "nine herons by the sluice"
OWN = {"sec-fetch-site": "same-origin"}
Run = Callable[..., Command]


def serve(run: Run, folder: Path, *more: str) -> tuple[Command, str]:
    served = run(
        "serve", "--network", NETWORK, "--data-dir", folder, "--port", "0", "--role", "web", *more
    )
    return served, served.wait_for(READY)


@contextmanager
def signed_in(base: str, name: str, password: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=base, headers=OWN) as client:
        found = client.post("/sign-in", data={"name": name, "password": password})
        assert found.status_code == 303, found.text
        yield client


def test_the_first_link_closes_the_house(run: Run, tmp_path: Path) -> None:
    served, base = serve(run, tmp_path)
    link = served.wait_for(FIRST)
    assert link.startswith(f"{base}/welcome?key=")
    assert httpx.get(f"{base}/api/v1/sites").status_code == 200  # nobody has an account yet
    key = link.rpartition("=")[2]
    form = {"key": key, "name": "S.Adeyemi", "password": PASSWORD, "password_again": PASSWORD}
    with httpx.Client(base_url=base, headers=OWN) as client:
        assert client.post("/welcome", data=form).status_code == 303
        assert client.get("/people").status_code == 200
    assert httpx.get(f"{base}/api/v1/sites").status_code == 401
    assert served.stop() == 0
    again, base = serve(run, tmp_path)
    assert httpx.get(f"{base}/welcome?key={key}").status_code == 404
    assert again.stop() == 0
    assert FIRST not in "".join(again.lines)


def test_the_user_commands_work_with_the_server_up_and_down(
    run: Run,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def command(*arguments: str, stdin: str = "") -> tuple[int, str, str]:
        import io

        monkeypatch.setattr("sys.stdin", io.StringIO(stdin))
        code = cli.run(["user", *arguments, "--data-dir", str(tmp_path)])
        return (code, *capsys.readouterr())

    add = ("add", "s.adeyemi", "--role", "supervisor", "--password-stdin")
    assert command(*add, stdin=f"{PASSWORD}\n")[0] == 0  # down, in an empty directory
    code, _, said = command(*add, stdin=f"{PASSWORD}\n")
    assert code == 2
    assert "There is an account s.adeyemi already" in said
    code, _, said = command("add", "x", "--role", "viewer", "--password-stdin", stdin="short\n")
    assert (code, said) == (2, "A name has 2 to 40 characters; this has 1.\n")
    code, _, said = command("add", "xy", "--role", "viewer", "--password-stdin", stdin="short\n")
    assert (code, said) == (2, "A password has at least 12 characters; this has 5.\n")
    assert command("add", "xy", "--role", "emperor")[0] == 2

    served, base = serve(run, tmp_path)  # up
    with signed_in(base, "S.ADEYEMI", PASSWORD) as client:
        assert client.get("/people").status_code == 200
    code, said, _ = command("token", "night report", "--role", "viewer", "--days", "30")
    assert code == 0
    assert re.fullmatch(r"tm_[\w-]{43}\n", said)
    bearer = {"authorization": f"Bearer {said.strip()}"}
    assert httpx.get(f"{base}/api/v1/sites", headers=bearer).status_code == 200
    assert httpx.post(f"{base}/api/v1/sites/x/poll", headers=bearer).status_code == 403
    code, said, _ = command("add", "r.hale", "--role", "technician")
    key = said.strip().rpartition("=")[2]
    assert code == 0
    assert "Welcome, r.hale" in httpx.get(f"{base}/welcome?key={key}").text
    code, said, _ = command("link", "r.hale")
    assert code == 0
    assert httpx.get(f"{base}/welcome?key={key}").status_code == 404  # the newer one holds
    assert "no password yet" in command("list")[1]
    code, _, said = command("token", "x", "--role", "viewer", "--days", "4000")
    assert code == 2
    assert "1 to 400 days" in said
    assert served.stop() == 0


def test_a_revoked_sessions_stream_ends(run: Run, tmp_path: Path) -> None:
    served, base = serve(run, tmp_path)
    key = served.wait_for(FIRST).rpartition("=")[2]
    form = {"key": key, "name": "s.adeyemi", "password": PASSWORD, "password_again": PASSWORD}
    with httpx.Client(base_url=base, headers=OWN, timeout=30) as watching:
        assert watching.post("/welcome", data=form).status_code == 303
        with watching.stream("GET", "/stream/round") as stream:
            assert stream.status_code == 200
            lines = stream.iter_lines()
            assert next(lines)
            with signed_in(base, "s.adeyemi", PASSWORD) as other:
                other.post("/account/sessions/end", data={"which": "others"})
            rest = list(lines)  # until the server ends it
        assert "event: signed-out" in rest
        assert watching.get("/stream/round").status_code == 401
    assert served.stop() == 0


def test_other_machines_are_let_in_once_there_is_a_supervisor(run: Run, tmp_path: Path) -> None:
    refused = run(
        "serve", "--network", NETWORK, "--data-dir", tmp_path, "--port", "0", "--host", "0.0.0.0"
    )
    out, said = refused.process.communicate(timeout=30)
    assert refused.process.returncode == 2
    assert "tallymast user add" in said
    assert READY not in out
    added = run("user", "add", "s.adeyemi", "--role", "supervisor", "--data-dir", tmp_path)
    assert added.ended() == 0
    refused = run(
        "serve", "--network", NETWORK, "--data-dir", tmp_path, "--port", "0", "--host", "0.0.0.0"
    )
    refused.process.communicate(timeout=30)
    assert refused.process.returncode == 2  # a supervisor who cannot sign in is none
    done = run("user", "link", "s.adeyemi", "--data-dir", tmp_path)
    key = done.wait_for("http").rpartition("=")[2]
    local, base = serve(run, tmp_path)
    form = {"key": key, "password": PASSWORD, "password_again": PASSWORD}
    assert httpx.post(f"{base}/welcome", data=form).status_code == 303
    assert local.stop() == 0
    served, base = serve(run, tmp_path, "--host", "0.0.0.0", "--names", "telemetry.example.org")
    served.wait_for("Other machines can reach these pages without encryption")
    port = base.rpartition(":")[2]
    base = f"http://127.0.0.1:{port}"
    for name in ("telemetry.example.org", "192.0.2.9"):
        found = httpx.get(f"{base}/api/v1/sites", headers={"host": f"{name}:{port}"})
        assert found.status_code == 401
    assert httpx.get(f"{base}/", headers={"host": "rebound.example.org"}).status_code == 421
    assert served.stop() == 0


def test_viewing_can_be_left_open(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    added = run("user", "add", "v.lindqvist", "--role", "viewer", "--data-dir", tmp_path)
    assert added.ended() == 0
    served, base = serve(run, tmp_path, "--viewing", "open")
    assert httpx.get(f"{base}/").status_code == 200
    assert httpx.get(f"{base}/audit").status_code == 303
    assert served.stop() == 0


def test_the_demo_prints_an_account_a_role(run: Run, tmp_path: Path) -> None:
    demo = run("demo", "--data-dir", tmp_path, "--port", "0")
    base = demo.wait_for(READY)
    demo.wait_for("Acts need one of these invented accounts")
    people = [demo.wait_for("  ").split() for _ in range(4)]
    assert [role for _, _, role in people] == ["viewer", "operator", "technician", "supervisor"]
    assert httpx.get(f"{base}/").status_code == 200  # anybody may look
    assert httpx.post(f"{base}/api/v1/sites/dunlin-booster/poll").status_code == 401
    for name, password, role in people:
        with signed_in(base, name, password) as client:
            statuses = [client.get(path).status_code for path in ("/account", "/people")]
            assert statuses == [200, 200 if role == "supervisor" else 403]
    assert demo.stop() == 0
