"""What may be said of a batch, and in which shape."""

import pytest
from pydantic import ValidationError

from services.domain import BATCH_SAID, CorrectedSaid, HoldClosedSaid


def said(**body):
    return BATCH_SAID.validate_python({"person": "Asha", **body})


def test_kinds_are_told_apart():
    assert isinstance(said(kind="corrected", use_by="2026-06-01"), CorrectedSaid)
    closed = said(kind="hold_closed", probe_c="3.5", disposition="kept", reason=" cold ")
    assert isinstance(closed, HoldClosedSaid)
    assert (closed.probe_c, closed.reason) == (3.5, "cold")


@pytest.mark.parametrize(
    "body",
    [
        {"kind": "eaten"},
        {"kind": "loaded"},
        {"kind": "emptied"},
        {"kind": "moved"},
        {"kind": "probed"},
        {"kind": "probed", "probe_c": float("nan")},
        {"kind": "probed", "probe_c": 130},
        {"kind": "hold_closed", "probe_c": 3.0, "disposition": "kept"},
        {"kind": "taken_out", "happened": "2026-06-01T10:00:00"},
        {"kind": "taken_out", "more": 1},
        {"kind": "split", "quantity": 0},
    ],
)
def test_what_does_not_fit_is_not_taken(body):
    with pytest.raises(ValidationError):
        said(**body)
