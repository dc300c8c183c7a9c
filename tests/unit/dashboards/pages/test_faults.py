import httpx
import pytest

from dashboards.pages.faults import detail_of
from services.api.schemas import FieldFault, Problem
from tests.helpers.larder import app_of, open_judged_larder
from tests.helpers.web import serving


def problem(field, message):
    return Problem(
        title="x",
        status=422,
        detail="raw",
        code="invalid_request",
        errors=(FieldFault(field=field, message=message),),
    )


def test_a_refusal_in_words_stays_as_it_is():
    plain = Problem(title="Conflict", status=409, detail="No hold stands on this unit.", code="refused")
    assert detail_of(plain) == "No hold stands on this unit."


def test_fields_are_named_as_the_forms_name_them():
    assert detail_of(problem("body.person", "Field required")) == "Who says so is missing."
    assert (
        detail_of(problem("body.ago_min", "Input should be a valid integer"))
        == "When it happened is not understood."
    )
    assert detail_of(problem("body.zzz", "Field required")) == "A field of the form is missing."
    assert "Open the page again" in detail_of(problem("body.zzz", "Extra inputs are not permitted"))
    assert detail_of(problem("path.unit", "String should match")).startswith("The address")


@pytest.fixture(scope="module")
def client(tmp_path_factory):
    larder = open_judged_larder(tmp_path_factory.mktemp("faults"))
    headers = {"accept": "text/html"}
    with serving(app_of(larder)) as base, httpx.Client(base_url=base, timeout=10, headers=headers) as found:
        yield found
    larder.close()


@pytest.mark.parametrize(
    ("path", "form", "words"),
    [
        ("/units/v3-meat/state", {"state": "empty", "back": "/units/v3-meat"}, "Who says so is missing"),
        (
            "/units/v3-meat/state",
            {"person": "Jonas K.", "state": "melted", "back": "x"},
            "is none of the choices",
        ),
        (
            "/units/v3-meat/check",
            {"person": "Jonas K.", "kind": "probe", "back": "x"},
            "probe reading is missing",
        ),
        ("/units/v3-meat/release", {"person": "x" * 81}, "Who says so is too long"),
        ("/batches/1/say", {"kind": "stolen", "person": "Jonas K."}, "What happened is none of the choices"),
        ("/batches/1/say", {"kind": "probed", "person": "Jonas K.", "weight": "3"}, "does not ask for"),
        ("/batches/nought/say", {"kind": "probed", "person": "Jonas K."}, "The address is not understood"),
        ("/camp/vehicle-3/add", {"food_class": "cheese"}, "Who says so is missing"),
    ],
)
def test_a_form_made_by_hand_is_answered_in_words(client, path, form, words):
    answer = client.post(path, data=form)
    assert answer.status_code == 422
    assert words in answer.text
    for raw in ("body.", "_c:", "food_class", "ago_min", "Field required", "Input should"):
        assert raw not in answer.text
