"""Whatever the OpenAPI description allows, and what it does not: never our mistake (no 5xx).

Reference: schemathesis, which makes requests from the description.
"""

from contextlib import suppress

import pytest
import schemathesis
from hypothesis import HealthCheck, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.schemas import APIOperation
from tests.routes.people.conftest import Guarded
from tests.routes.people.test_rights import ROUTES

from tallymast.domain.people import Role

QUICK = settings(
    max_examples=15,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=list(HealthCheck),
)


@pytest.fixture
def operations(guarded: Guarded) -> list[APIOperation]:
    key = guarded.token(Role.SUPERVISOR)
    described = schemathesis.openapi.from_asgi(
        "/api/v1/openapi.json", guarded.app, headers={"Authorization": f"Bearer {key}"}
    )
    return [found.ok() for found in described.get_all_operations()]


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
@pytest.mark.parametrize("role", [None, Role.VIEWER, Role.SUPERVISOR])
def test_no_request_breaks_the_server(
    guarded: Guarded,
    operations: list[APIOperation],
    role: Role | None,
    mode: GenerationMode,
) -> None:
    headers = {} if role is None else {"Authorization": f"Bearer {guarded.token(role)}"}
    statuses: dict[str, set[int]] = {}

    def ask(operation: APIOperation) -> None:
        @QUICK
        @given(operation.as_strategy(generation_mode=mode))
        def each(case: schemathesis.Case) -> None:
            found = case.call(headers=headers)
            statuses.setdefault(operation.label, set()).add(found.status_code)
            assert found.status_code < 500, found.text

        with suppress(Unsatisfiable):  # nothing in this call can be asked for wrongly
            each()

    for operation in operations:
        ask(operation)
    assert len(statuses) > (12 if mode is GenerationMode.POSITIVE else 5)
    if role is None:  # what makes no sense may be told so; nothing is answered or done
        statuses.pop("GET /healthz", None)
        assert set.union(*statuses.values()) <= {400, 401, 404, 405, 413, 422}
    elif mode is GenerationMode.POSITIVE and role is Role.SUPERVISOR:
        assert 200 in statuses["GET /api/v1/sites"]


def test_every_call_of_the_api_is_described(guarded: Guarded) -> None:
    described = set(guarded.app.openapi()["paths"])
    answered = {path for _, path in ROUTES if path.startswith("/api/v1/")}
    assert answered - described == {"/api/v1/openapi.json"}
