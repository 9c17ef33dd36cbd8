"""The columns of a table are read off the structs, so that limits stand in one place."""

from __future__ import annotations

import pytest

from ingest.shapes import FILE_KINDS, RECORDS, FileKind, columns
from ingest.wire import START_FIELDS


def test_starts_have_the_unit_first_and_then_the_fields_of_the_wire_without_the_wave() -> None:
    assert tuple(columns("starts")) == ("unit", *START_FIELDS)


def test_limits_are_those_of_the_struct() -> None:
    starts, units = columns("starts"), columns("units")
    assert (starts["run_up_s"].low, starts["run_up_s"].high) == (0, 60)
    assert (units["tons"].low, units["tons"].low_open) == (0, True)
    assert starts["outcome"].words == ("dropped", "locked", "ran")
    assert "run_capacitor" in (columns("visits")["work"].words or ())


@pytest.mark.parametrize(
    ("kind", "required"),
    [
        ("starts", {"unit", "seq", "at"}),
        ("rests", {"unit", "seq", "at", "t_s"}),
        ("events", {"unit", "seq", "at", "event"}),
        ("units", {"unit"}),
        ("visits", {"unit", "at", "work"}),
        ("forecasts", {"site", "issued", "hours"}),
    ],
)
def test_what_every_record_needs_is_what_the_contract_says(kind: FileKind, required: set[str]) -> None:
    assert {name for name, column in columns(kind).items() if column.required} == required


def test_every_kind_of_file_has_its_record() -> None:
    assert set(RECORDS) == set(FILE_KINDS)
