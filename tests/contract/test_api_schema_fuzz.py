"""Whatever fits the published description of the interface, or nearly fits it, is answered as described."""

import contextlib
from types import SimpleNamespace

import pytest
import schemathesis
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis.errors import Unsatisfiable
from schemathesis import GenerationMode
from schemathesis.checks import not_a_server_error
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import content_type_conformance, response_schema_conformance
from structlog.testing import capture_logs

from services.api.routes import PREFIX
from services.box import Box
from tests.helpers.larder import app_of, open_larder

CHECKS = [not_a_server_error, content_type_conformance, response_schema_conformance]
EACH = 10
"""Questions an operation and a kind: about a thousand in all."""


class Broken:
    """Something that fails whatever it is asked."""

    def __getattr__(self, name):
        def fail(*_args, **_more):
            raise ZeroDivisionError(name)

        return fail


@pytest.fixture(scope="module")
def schema(tmp_path_factory):
    larder = open_larder(tmp_path_factory.mktemp("larder"))
    yield described(larder)
    larder.close()


def described(larder):
    found = schemathesis.openapi.from_asgi(f"{PREFIX}/openapi.json", app_of(larder))
    return found.exclude(path_regex="/live$")  # it never ends


def fuzz(operation, mode):
    """Ask one operation what fits its description, or nearly does; return how often."""
    asked = 0

    @settings(
        max_examples=EACH,
        deadline=None,
        derandomize=True,
        database=None,
        phases=[Phase.generate],
        suppress_health_check=list(HealthCheck),
    )
    @given(case=operation.as_strategy(generation_mode=mode))
    def ask(case):
        nonlocal asked
        asked += 1
        with capture_logs():
            case.call_and_validate(checks=CHECKS)

    with contextlib.suppress(Unsatisfiable):  # nothing can be wrong about what asks for nothing
        ask()
    return asked


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["good", "bad"])
def test_no_question_is_answered_with_a_fault_of_ours(schema, mode):
    asked = [fuzz(found.ok(), mode) for found in schema.get_all_operations()]
    assert sum(asked) > 15 * EACH
    if mode is GenerationMode.POSITIVE:
        assert min(asked) > 0, "every operation is asked, those of notices too"


def test_a_fault_would_be_found(tmp_path):
    fragile = SimpleNamespace(records=Broken(), reader=Broken(), box=Box(tmp_path, reserve_mb=1))
    operation = described(fragile)[f"{PREFIX}/units"]["GET"]
    with pytest.raises(FailureGroup, match="Server error"):
        fuzz(operation, GenerationMode.POSITIVE)
