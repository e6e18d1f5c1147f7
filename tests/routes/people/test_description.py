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


ROLES = (Role.SUPERVISOR, Role.VIEWER, None)


@pytest.mark.parametrize("mode", list(GenerationMode), ids=lambda mode: mode.value)
def test_no_request_breaks_the_server(
    guarded: Guarded, operations: list[APIOperation], mode: GenerationMode
) -> None:
    # Inventing a request takes far longer than asking it, so each is asked as everybody.
    headers = {
        role: {} if role is None else {"Authorization": f"Bearer {guarded.token(role)}"}
        for role in ROLES
    }
    statuses: dict[Role | None, dict[str, set[int]]] = {role: {} for role in ROLES}

    def ask(operation: APIOperation) -> None:
        @QUICK
        @given(operation.as_strategy(generation_mode=mode))
        def each(case: schemathesis.Case) -> None:
            for role in ROLES:
                found = case.call(headers=headers[role])
                statuses[role].setdefault(operation.label, set()).add(found.status_code)
                assert found.status_code < 500, (role, found.text)

        with suppress(Unsatisfiable):  # nothing in this call can be asked for wrongly
            each()

    for operation in operations:
        ask(operation)
    for role in ROLES:
        assert len(statuses[role]) > (12 if mode is GenerationMode.POSITIVE else 5)
    statuses[None].pop("GET /healthz", None)
    # What makes no sense may be told so; to a stranger nothing is answered or done.
    assert set.union(*statuses[None].values()) <= {400, 401, 404, 405, 413, 422}
    if mode is GenerationMode.POSITIVE:
        assert 200 in statuses[Role.SUPERVISOR]["GET /api/v1/sites"]


def test_every_call_of_the_api_is_described(guarded: Guarded) -> None:
    described = set(guarded.app.openapi()["paths"])
    answered = {path for _, path in ROUTES if path.startswith("/api/v1/")}
    assert answered - described == {"/api/v1/openapi.json"}
