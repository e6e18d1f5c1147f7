"""Arrows point down: no room imports what it may not know (see DEVELOPERS.md)."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import tallymast

ROOT = Path(tallymast.__file__).parent

# room -> the rooms of ours it may import
MAY = {
    "domain": {"domain"},
    "storage": {"storage", "domain"},
    "polling": {"polling", "domain"},
    "simulator": {"simulator", "domain"},
    "files": {"files", "domain"},
    "routes": {"routes", "domain", "storage", "files", "assets"},
    "assets": set(),
    "settings": {"domain"},
    "live": {"domain"},
    "serving": {"domain"},
    "wall": set(),
    "telling_mail": {"domain"},
    "telling_webhook": {"domain"},
}
FREE = {
    "wiring",
    "networks",
    "upward",
    "job_desk",
    "order_desk",
    "order_judging",
    "order_proving",
    "hour_closer",
    "plan_watch",
    "follow",
    "running",
    "beside",
    "keeping",
    "demonstration",
    "demo_findings",
    "demo_life",
    "demo_orders",
    "demo_past",
    "demo_proofs",
    "demo_rounds",
    "demo_volumes",
    "exporting",
    "judging",
    "alarm_keeper",
    "alarm_book",
    "alarm_looks",
    "alarm_blind",
    "alarm_dawns",
    "alarm_permits",
    "alarm_memory",
    "alarm_past",
    "alarm_tests",
    "alarm_written",
    "heartbeat",
    "finding_keeper",
    "telling_book",
    "telling_items",
    "telling_keeper",
    "telling_ways",
    "beginnings",
    "rounds",
    "seasons",
    "steady",
    "volume_keeper",
    "monthly",
    "reporting",
    "accounts",
    "cli",
    "benches",
    "__main__",
    "__init__",
}
FORBIDDEN_IN_DOMAIN = {
    "fastapi",
    "sqlalchemy",
    "alembic",
    "logging",
    "socket",
    "asyncio",
    "threading",
    "pymodbus",
}


def imported(path: Path) -> Iterator[str]:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write tallymast.… in full"
            yield from (f"{node.module}.{alias.name}" for alias in node.names)


def room(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def modules() -> list[Path]:
    return sorted(ROOT.rglob("*.py"))


def test_the_house_has_been_found() -> None:
    assert {"domain", "storage", "polling", "simulator", "routes"} <= {
        room(path) for path in modules()
    }


def test_every_file_lies_in_a_known_room() -> None:
    assert {room(path) for path in modules()} <= set(MAY) | FREE


@pytest.mark.parametrize(
    "path", [p for p in modules() if room(p) in MAY], ids=lambda p: str(p.relative_to(ROOT))
)
def test_a_room_imports_only_what_lies_below_it(path: Path) -> None:
    stray = [
        name
        for name in imported(path)
        if name.split(".")[0] == "tallymast"
        and len(name.split(".")) > 1
        and name.split(".")[1] not in MAY[room(path)]
    ]
    assert not stray, f"{path.relative_to(ROOT)} reaches out of its room: {stray}"


@pytest.mark.parametrize(
    "path", [p for p in modules() if room(p) == "domain"], ids=lambda p: str(p.relative_to(ROOT))
)
def test_the_domain_touches_nothing_outside(path: Path) -> None:
    tops = {name.split(".")[0] for name in imported(path)}
    assert not tops & FORBIDDEN_IN_DOMAIN


def test_the_simulator_never_uses_our_codec() -> None:
    # Two decoders on purpose: a journey is a second opinion only while this one is another's.
    for path in modules():
        if room(path) == "simulator":
            assert not [
                name for name in imported(path) if name.startswith("tallymast.domain.modbus")
            ], path


def test_init_files_hold_only_a_docstring() -> None:
    for path in modules():
        if path.name == "__init__.py":
            body = ast.parse(path.read_text(encoding="utf-8")).body
            assert len(body) == 1, f"{path}: more than a docstring"
            assert isinstance(body[0], ast.Expr)
