"""Rows for the terminal."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest

from deploy.table import aligned, show

ROWS = [
    {"unit": "u-0001", "starts": 7, "site": None, "added": datetime(2031, 1, 14, 12, 5, tzinfo=UTC), "online": True},
    {"unit": "u-2", "starts": 1200, "site": "s-0001", "added": datetime(2031, 1, 15, tzinfo=UTC), "online": False},
]


def test_words_stand_to_the_left_and_numbers_to_the_right() -> None:
    assert aligned(ROWS).splitlines() == [
        "unit    starts  site    added             online",
        "u-0001       7  -       2031-01-14 12:05  yes",
        "u-2       1200  s-0001  2031-01-15 00:00  no",
    ]


def test_programs_get_one_json_object_a_line(capsys: pytest.CaptureFixture[str]) -> None:
    show(ROWS, as_json=True)
    first, second = map(json.loads, capsys.readouterr().out.splitlines())
    assert first == {"unit": "u-0001", "starts": 7, "site": None, "added": "2031-01-14T12:05:00Z", "online": True}
    assert second["unit"] == "u-2"


def test_no_rows_are_said_in_words_to_people_and_by_silence_to_programs(capsys: pytest.CaptureFixture[str]) -> None:
    show([], as_json=False, nothing="no devices yet")
    show([], as_json=True)
    assert capsys.readouterr().out == "no devices yet\n"
