"""Anything may come over the wire: every payload is judged, each item for itself, and nothing raises."""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from typing import Any

import msgspec
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import decode as decoding
from ingest.decode import decode
from ingest.wire import KINDS, START_FIELDS, Kind

NOW = datetime(2024, 1, 15, tzinfo=UTC)
START = {"seq": 7, "at": "2024-01-14T12:00:00Z", "outcome": "ran", "run_up_s": 0.21, "mode": None}
TEXT = json.dumps(START)


def with_field(text: str) -> bytes:
    """The start above with one more field, as text that no encoder would write."""
    return f"{TEXT[:-1]}, {text}}}".encode()


def reasons(payload: bytes, kind: Kind = "starts") -> list[str]:
    good, bad = decode(kind, payload, NOW)
    assert not good
    assert all("\n" not in item.detail and "\0" not in item.detail and len(item.detail) <= 300 for item in bad)
    return [item.reason for item in bad]


def test_a_start_comes_back_typed() -> None:
    (good,), bad = decode("starts", TEXT.encode(), NOW)
    assert bad == []
    assert (good.record.seq, good.record.at, good.record.run_up_s) == (7, datetime(2024, 1, 14, 12, tzinfo=UTC), 0.21)
    assert good.extra is None


def test_unknown_fields_are_kept_as_json() -> None:
    (good,), bad = decode("starts", with_field('"note": "swollen – case", "odd": {"a": [1, null]}'), NOW)
    assert bad == []
    assert good.extra is not None
    assert msgspec.json.decode(good.extra) == {"note": "swollen – case", "odd": {"a": [1, None]}}


def test_one_bad_item_never_loses_the_others() -> None:
    items: list[Any] = [START | {"seq": n} for n in range(500)]
    items[250] = START | {"run_a": -1}
    good, bad = decode("starts", json.dumps(items).encode(), NOW)
    assert [g.record.seq for g in good] == [n for n in range(500) if n != 250]
    assert [b.reason for b in bad] == ["impossible_value"]
    assert json.loads(bad[0].payload) == items[250]


@pytest.mark.parametrize(
    ("payload", "reason", "named"),
    [
        (b"", "bad_json", "empty"),
        (b" \n", "bad_json", "empty"),
        (b'{"seq": 1', "bad_json", "not JSON"),
        (b"[1, 2", "bad_json", "not JSON"),
        (b"\xff\xfe", "bad_json", "UTF-8"),
        (b'"words"', "bad_json", "must be an object"),
        (b"[7]", "bad_json", "must be an object"),
        # RFC 8259 section 6 has no NaN or Infinity; section 4: names should be unique, or what is read is unpredictable
        (with_field('"run_a": NaN'), "bad_json", "NaN"),
        (with_field('"other": -Infinity'), "bad_json", "Infinity"),
        (with_field('"seq": 8'), "bad_json", "'seq' stands twice"),
        (with_field('"other": {"a": 1, "a": 2}'), "bad_json", "'a' stands twice"),
        (b"[" * 100_000, "bad_json", "nested too deeply"),
        (b'{"a":' * 100_000, "bad_json", "nested too deeply"),
        (with_field(f'"other": {"9" * 5_000}'), "bad_json", "digits"),
        (with_field(f'"run_w": {"9" * 400}'), "impossible_value", "run_w"),
        (with_field('"other": 1e999'), "impossible_value", "unknown field"),
        (with_field('"other": "\\u0000"'), "impossible_value", "NUL"),
        (with_field('"other": "\\ud800"'), "bad_json", "not JSON"),
        (TEXT.replace('"seq": 7, ', "").encode(), "missing_field", "seq: missing"),
        (TEXT.replace('"at": "2024-01-14T12:00:00Z", ', "").encode(), "missing_field", "at: missing"),
        (TEXT.replace('"outcome": "ran", ', "").encode(), "missing_field", "outcome: needed where there is no wave"),
        (TEXT.replace("7", "99999999999999999999999").encode(), "impossible_value", "seq"),
        (TEXT.replace("7", "-1").encode(), "impossible_value", "seq: must be at least 0, not -1"),
        (TEXT.replace("0.21", "61").encode(), "impossible_value", "run_up_s: must be at most 60, not 61"),
        (TEXT.replace('"ran"', '"flew"').encode(), "impossible_value", "outcome: "),
        (TEXT.replace("12:00:00Z", "12:00:00").encode(), "impossible_value", "at: needs an offset"),
        (TEXT.replace("01-14", "02-31").encode(), "impossible_value", "at: "),
        (TEXT.replace("2024", "1999").encode(), "clock_out_of_range", "at: 1999-01-14T12:00:00+00:00 is before 2000"),
        (TEXT.replace("2024", "2099").encode(), "clock_out_of_range", "more than a day after it was received"),
        (TEXT.replace("2024-01-14T12:00:00Z", "0001-01-01T00:00:00+23:59").encode(), "clock_out_of_range", "at: 0001"),
    ],
)
def test_what_cannot_be_used_is_told_with_its_reason_and_field(payload: bytes, reason: str, named: str) -> None:
    assert reasons(payload) == [reason]
    assert named in decode("starts", payload, NOW)[1][0].detail


def test_a_day_ahead_is_still_taken_and_a_second_more_is_not() -> None:
    assert decode("starts", TEXT.replace("2024-01-14T12:00:00Z", "2024-01-16T00:00:00Z").encode(), NOW)[1] == []
    assert reasons(TEXT.replace("2024-01-14T12:00:00Z", "2024-01-16T00:00:01Z").encode()) == ["clock_out_of_range"]


def test_more_than_500_objects_are_one_item_of_quarantine() -> None:
    items = [START | {"seq": n} for n in range(501)]
    assert reasons(json.dumps(items).encode()) == ["too_many"]
    assert reasons(json.dumps([*items, 7]).encode()) == ["too_many"]
    assert len(decode("starts", json.dumps(items[:500]).encode(), NOW)[0]) == 500


def test_no_objects_are_nothing() -> None:
    assert decode("starts", b"[]", NOW) == ([], [])


def test_a_name_that_stands_twice_is_found_in_the_middle_of_a_batch_too() -> None:
    payload = f"[{TEXT}, {with_field(chr(34) + 'outcome' + chr(34) + ': ' + chr(34) + 'locked' + chr(34)).decode()}]"
    good, bad = decode("starts", payload.encode(), NOW)
    assert (len(good), [b.reason for b in bad]) == (1, ["bad_json"])


@pytest.mark.parametrize("spaced", [True, False])
def test_starts_decoded_in_one_go_are_those_decoded_one_by_one(spaced: bool) -> None:
    fitted = {
        "peak_a": 61.5,
        "close_deg": 0,
        "mode": "cooling",
        "stage": 2,
        "retry": 0,
        "at": "2024-01-14T05:00:00-07:00",
    }
    items = [START | {"seq": 1}, START | fitted | {"seq": 2}, {k: v for k, v in START.items() if k != "mode"}]
    separators = None if spaced else (",", ":")
    payload = json.dumps(items, separators=separators).encode()
    values = decoding.plain(payload, NOW)
    assert values is not None
    one_by_one = [decode("starts", json.dumps(i | {"more": 1}).encode(), NOW)[0][0].record for i in items]
    assert values == [tuple(getattr(record, name) for name in START_FIELDS) for record in one_by_one]


@pytest.mark.parametrize(
    "changes",
    [{"more": 1}, {"run_up_s": -1}, {"outcome": None}, {"at": "2024-03-01T00:00:00Z"}, {"at": "1999-12-31T23:59:59Z"}],
)
def test_what_needs_a_second_look_is_not_decoded_in_one_go(changes: dict[str, Any]) -> None:
    assert decoding.plain(json.dumps([START, START | changes]).encode(), NOW) is None


def wave(samples: int, count: int = 1_000) -> dict[str, Any]:
    """A sampled sine of one second or so that never falls: a locked rotor."""
    time_s = np.arange(samples) / 4_000
    current = np.where(time_s < 0.1, 0, count * np.sin(2 * np.pi * 60 * time_s)).astype("<i2")
    return {"rate_hz": 4000, "hz": 60, "current": base64.b64encode(current.tobytes()).decode(), "current_a": 0.1}


def test_a_wave_comes_back_as_figures() -> None:
    sent = {k: v for k, v in START.items() if k not in {"outcome", "run_up_s"}} | {"wave": wave(5_000)}
    (good,), bad = decode("starts", json.dumps(sent).encode(), NOW)
    assert bad == []
    assert good.record.wave is None
    assert good.record.outcome == "locked"
    assert good.record.peak_a == pytest.approx(100 / np.sqrt(2), rel=0.01)  # RMS of a sine: its amplitude by root two


@pytest.mark.parametrize(
    "changes",
    [{"rate_hz": 4}, {"current": "AAA="}, {"current": "?"}, {"hz": 55}, {"current_a": 0}, {"current": "AAAAAAAA"}],
)
def test_a_wave_that_cannot_be_reduced_is_told_so(changes: dict[str, Any]) -> None:
    sent = {k: v for k, v in START.items() if k != "outcome"} | {"wave": wave(5_000) | changes}
    assert reasons(json.dumps(sent).encode()) == ["bad_wave"]


@pytest.mark.parametrize(
    ("kind", "item"),
    [
        ("rests", {"seq": 1, "at": "2024-01-14T12:00:00Z", "t_s": [0, 30], "suction_kpa": [400, None]}),
        ("events", {"seq": 1, "at": "2024-01-14T12:00:00Z", "event": "lockout", "detail": "third try"}),
        ("status", {"online": True, "firmware": "1.0", "clock_ok": True, "sent": 7}),
    ],
)
def test_rests_events_and_status_come_back_typed(kind: Kind, item: dict[str, Any]) -> None:
    good, bad = decode(kind, json.dumps([item, item | {"more": 1}]).encode(), NOW)
    assert bad == []
    assert [g.extra for g in good] == [None, b'{"more": 1}']


@pytest.mark.parametrize(
    ("kind", "item"),
    [
        ("events", {"seq": 1, "at": "2024-01-14T12:00:00Z", "event": "lockout", "detail": "a\0b"}),
        ("status", {"online": True, "firmware": "a\0b"}),
    ],
)
def test_text_that_the_database_cannot_keep_is_told(kind: Kind, item: dict[str, Any]) -> None:
    assert reasons(json.dumps(item).encode(), kind) == ["impossible_value"]


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=6), inner, max_size=4),
    max_leaves=12,
)
FIELDS = ["seq", "at", "outcome", "wave", "run_up_s", "mode", "t_s", "suction_kpa", "event", "detail", "online", "sent"]
ITEM = st.fixed_dictionaries(
    {"seq": st.integers(0, 9), "at": st.just("2024-01-14T12:00:00Z"), "outcome": st.just("ran")},
    optional=dict.fromkeys(FIELDS[3:], JSON),
) | st.dictionaries(st.sampled_from(FIELDS) | st.text(max_size=6), JSON, max_size=6)


@settings(max_examples=300, deadline=None)
@given(kind=st.sampled_from(KINDS), payload=st.binary(max_size=200))
def test_no_bytes_whatever_make_it_raise(kind: Kind, payload: bytes) -> None:
    good, bad = decode(kind, payload, NOW)
    assert good or bad or payload.strip(b" \t\r\n").replace(b" ", b"").startswith(b"[")


@settings(max_examples=300, deadline=None)
@given(kind=st.sampled_from(KINDS), items=st.lists(ITEM | JSON, max_size=5))
def test_every_item_is_either_good_or_bad(kind: Kind, items: list[Any]) -> None:
    try:
        payload = json.dumps(items, ensure_ascii=False).encode()
    except UnicodeEncodeError:
        return
    good, bad = decode(kind, payload, NOW)
    whole = [item for item in bad if item.payload == payload]
    assert len(good) + len(bad) == len(items) or whole
    for item in bad:
        item.detail.encode()
        assert "\0" not in item.detail
