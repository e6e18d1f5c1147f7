"""What holds of every cause: it has a test, its words say nothing that may never be said."""

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from tallymast.domain.health.diagnosis import causes
from tallymast.domain.health.diagnosis.diagnose import diagnose
from tallymast.domain.health.diagnosis.registry import CAUSES

FILES = sorted(Path(causes.__file__).parent.glob("[a-z]*.py"))
TESTS = Path(__file__).parent
# Never shown, whatever is found: a score, a failure to the hour, an empty comfort, a bare code, a
# statement that work is safe or a device suitable. The rules stand with the project's sentences.
FORBIDDEN = re.compile(
    r"(?i:health score|will fail|comm(unication)? error|safe to|suitable|pump started)"
    r"|\bOK\b|0x|None|\bnan\b|100\.0"
)


def strings(tree: ast.AST) -> Iterator[str]:
    """Every text of more than one word that is no docstring."""
    documented = (ast.Module, ast.ClassDef, ast.FunctionDef)
    said_first = {
        id(node.body[0].value)
        for node in ast.walk(tree)
        if isinstance(node, documented) and node.body and isinstance(node.body[0], ast.Expr)
    }
    for node in ast.walk(tree):
        text = node.value if isinstance(node, ast.Constant) else None
        if isinstance(text, str) and " " in text and id(node) not in said_first:
            yield text


def keys(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.keyword) and node.arg == "cause":
            value = node.value
            parts = [value.body, value.orelse] if isinstance(value, ast.IfExp) else [value]
            yield from (one.value for one in parts if isinstance(one, ast.Constant))


TREES = {path.stem: ast.parse(path.read_text(encoding="utf-8")) for path in FILES}
KEYS = sorted({key for tree in TREES.values() for key in keys(tree)})


def test_there_are_causes() -> None:
    assert len(CAUSES) >= 20
    assert len(KEYS) >= len(CAUSES)


@pytest.mark.parametrize("key", KEYS)
def test_it_is_named_in_a_test(key: str) -> None:
    tests = [one for one in TESTS.glob("test_*.py") if one.name != Path(__file__).name]
    assert any(f'"{key}"' in one.read_text(encoding="utf-8") for one in tests)


@pytest.mark.parametrize("name", sorted(TREES))
def test_its_words_say_nothing_forbidden(name: str) -> None:
    assert [text for text in strings(TREES[name]) if FORBIDDEN.search(text)] == []


def test_nothing_is_named_where_nobody_is() -> None:
    assert diagnose(()) == ()
