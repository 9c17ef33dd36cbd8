"""What is wrong with a record is told in one line that names the field and the remedy."""

from __future__ import annotations

from typing import Any

import msgspec
import pytest

from ingest.complaint import Rejected, complaint
from ingest.records import Forecast, Visit
from ingest.wire import Event, Start

START = {"seq": 1, "at": "2026-01-14T12:00:00Z", "outcome": "ran"}


def _complain(raw: Any, record: type[msgspec.Struct] = Start) -> tuple[str, str]:
    with pytest.raises(msgspec.ValidationError) as caught:
        msgspec.convert(raw, record)
    return complaint(caught.value, raw)


@pytest.mark.parametrize(
    ("change", "field", "text"),
    [
        ({"run_up_s": 99}, "run_up_s", "must be at most 60, not 99"),
        ({"run_a": -0.5}, "run_a", "must be at least 0, not -0.5"),
        ({"seq": "x"}, "seq", "must be a whole number, not 'x'"),
        ({"run_up_s": []}, "run_up_s", "must be a number, not a list"),
        ({"outcome": "run"}, "outcome", "'run' is not a word allowed here"),
        ({"at": "2026-01-14T12:00:00"}, "at", "needs an offset"),
        ({"at": "14.1.2026"}, "at", "must be RFC 3339, such as"),
        ({"outcome": None}, "outcome", "needed where there is no wave"),
    ],
)
def test_a_wrong_value_is_told_with_its_field_its_limit_and_what_stood_there(
    change: dict[str, Any], field: str, text: str
) -> None:
    where, told = _complain(START | change)
    assert where == field
    assert told.startswith(text)


def test_a_missing_field_is_named() -> None:
    assert _complain({"at": START["at"], "outcome": "ran"}) == ("seq", "missing; every record needs it")


def test_a_fault_inside_a_list_is_told_with_its_place() -> None:
    hours = [{"at": START["at"], "outdoor_c": 1.0}, {"at": START["at"], "outdoor_c": -300}]
    where, told = _complain({"site": "s", "issued": START["at"], "hours": hours}, Forecast)
    assert (where, told) == ("hours[1].outdoor_c", "must be at least -90, not -300")


def test_an_empty_list_is_told_by_its_length() -> None:
    assert _complain({"unit": "u", "at": START["at"], "work": []}, Visit) == ("work", "must be at least 1 long")


def test_a_value_too_long_to_show_is_not_shown() -> None:
    _, told = _complain({"seq": 1, "at": START["at"], "event": "reset", "detail": "x" * 3000}, Event)
    assert told == "must be at most 2000 long"


def test_broken_json_is_told_as_such() -> None:
    with pytest.raises(msgspec.DecodeError) as caught:
        msgspec.json.decode(b'{"seq":1,')
    assert complaint(caught.value) == ("", "not JSON (input data was truncated); write one object a line")


def test_the_line_names_path_line_and_field_as_far_as_they_are_known() -> None:
    assert str(Rejected("a.csv", 3, "seq", "missing")) == "a.csv, line 3: seq: missing"
    assert str(Rejected("a.csv", 3, "", "not JSON")) == "a.csv, line 3: not JSON"
    assert str(Rejected("starts of u1", 0, "at", "ahead")) == "starts of u1: at: ahead"
