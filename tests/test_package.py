"""What is installed is whole: pages, demo network, migrations, command."""

import os
import subprocess
import sys
from importlib.metadata import entry_points, version
from pathlib import Path

import pytest

import tallymast
from tallymast import assets
from tallymast.storage.engine import open_database

pytestmark = pytest.mark.wheel


def test_in_ci_the_package_under_test_is_the_installed_wheel() -> None:
    if os.environ.get("TALLYMAST_CI") == "1":
        assert "site-packages" in tallymast.__file__
        assert "site-packages" in str(assets.web())


def test_pages_and_demo_network_are_in_it() -> None:
    assert (assets.web() / "templates" / "round.html").is_file()
    assert (assets.web() / "static" / "vendor").is_dir()
    assert (assets.demo_data() / "ombrel-basin.toml").is_file()


def test_every_vendored_file_has_its_version_and_its_licence() -> None:
    folder = assets.web() / "static" / "vendor"
    names = [path.name for path in folder.iterdir()]
    for name in names:
        if name.endswith((".js", ".css")):
            assert any(char.isdigit() for char in name), name
            family = name.split("-")[0]
            licences = [one for one in names if "LICENSE" in one]
            assert any(one.startswith(family) for one in licences) or family == "hx", name


def test_migrations_run_from_where_it_is_installed(tmp_path: Path) -> None:
    open_database(tmp_path / "tallymast.sqlite3").close()


def test_the_command_is_there_and_explains_itself() -> None:
    assert any(one.name == "tallymast" for one in entry_points(group="console_scripts"))
    said = subprocess.run(
        [sys.executable, "-m", "tallymast", "--help"], capture_output=True, text=True, check=True
    ).stdout
    for word in ("demo", "serve", "simulate", "network", "backup", "restore", "bench"):
        assert word in said
    assert version("tallymast")
