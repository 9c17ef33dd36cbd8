"""What another logger sends becomes records of the contract, as its mapping says (loggers and samples are invented)."""

from __future__ import annotations

import io
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest import files, mapping
from ingest.errors import BadInputError
from ingest.mapped import decoded, from_file, from_payload, pointed
from tests.ingest.test_mapping import EXAMPLE, GUIDE, read

NOW = datetime(2026, 1, 15, tzinfo=UTC)
CSV = """
[starts]
unit = "house"
topic = "csv/{device}"
format = "csv"
delimiter = ";"
decimal = ","
missing = ["-"]
[starts.fields]
seq = "no"
at = { from = ["day", "time"], as = "%d.%m.%Y %H:%M:%S", zone = "America/Denver" }
run_up_s = { from = "ms", unit = "ms" }
line_v = "volts"
outcome = [{ is = "locked", from = "trip", equals = [1, "yes"] }, { is = "ran", from = "ms", above = 0 }]
retry = { from = "try" }
[starts.extra]
site = "site"
"""
LINES = "no;day;time;ms;volts;trip;try;house;site\n7;14.01.2026;05:03:07;210;241,5;0;0;u-1;a\n"


def source(folder: Path, text: str = EXAMPLE) -> mapping.Source:
    return read(folder, text)[0]


def item(**changes: Any) -> dict[str, Any]:
    base = {"n": 7, "t": 1768392187250, "ramp_ms": 210, "ct_mv": 1428, "oat": 11.3, "low_psi": -999, "mode": "H"}
    return base | {"trip": False, "rh": 80} | changes


def payload(*items: dict[str, Any]) -> bytes:
    return json.dumps({"data": list(items)}).encode()


def test_the_guides_message_becomes_what_the_guide_says(tmp_path: Path) -> None:
    told = re.search(r"^`(\{\"data\".*)`$", GUIDE, flags=re.MULTILINE)
    assert told
    (good,), bad = decoded(source(tmp_path), told[1].encode(), NOW)
    assert bad == []
    start = good.record
    assert (start.seq, start.outcome, start.mode, start.stage) == (7, "ran", "heating", 1)
    assert start.at == datetime(2026, 1, 14, 12, 3, 7, 250_000, tzinfo=UTC)
    assert (start.run_up_s, start.peak_a) == pytest.approx((0.21, 71.4))
    assert start.outdoor_c == pytest.approx(-11.5)  # published: 11.3 °F by NIST SP 811: (11.3 - 32)/1.8
    assert start.suction_kpa is None
    assert json.loads(good.extra or b"") == {"humidity": 80}


@pytest.mark.parametrize(
    ("changes", "outcome"),
    [({"trip": True}, "locked"), ({"ramp_ms": 3000}, "dropped"), ({"ramp_ms": None}, "dropped"), ({"trip": 1}, "ran")],
)
def test_the_first_rule_that_holds_gives_the_outcome(tmp_path: Path, changes: dict[str, Any], outcome: str) -> None:
    (found,) = from_payload(source(tmp_path), payload(item(**changes)))
    assert found.record is not None
    assert found.record["outcome"] == outcome


@pytest.mark.parametrize(
    ("changes", "reason", "told"),
    [
        ({"mode": "X"}, "bad_mapping", "record 2: mode: 'X' is none of the words H, C"),
        ({"oat": "warm"}, "bad_mapping", "record 2: outdoor_c: 'warm' is not a number"),
        ({"oat": True}, "bad_mapping", "record 2: outdoor_c: true is not a number"),
        ({"t": "soon"}, "bad_mapping", "record 2: at: could not convert string to float: 'soon'"),
        ({"t": 1e300}, "bad_mapping", "record 2: at: "),
        ({"n": 1.5}, "impossible_value", "record 2: seq: must be a whole number"),
        ({"oat": 900}, "impossible_value", "record 2: outdoor_c: must be at most 70"),
        ({"t": None}, "missing_field", "record 2: at: missing"),
        ({"t": 0}, "clock_out_of_range", "record 2: at: 1970"),
    ],
)
def test_a_bad_record_holds_the_message_whole_and_the_others_are_taken(
    tmp_path: Path, changes: dict[str, Any], reason: str, told: str
) -> None:
    sent = payload(item(), item(n=8, **changes) if "n" not in changes else item(**changes), item(n=9))
    good, bad = decoded(source(tmp_path), sent, NOW)
    assert [g.record.seq for g in good] == [7, 9]
    assert [(b.reason, b.payload) for b in bad] == [(reason, sent)]
    assert bad[0].detail.startswith(told)


@pytest.mark.parametrize(
    ("sent", "told"),
    [
        (b"{", "not JSON"),
        (b"\xff", "not UTF-8"),
        (b"[]", "nothing stands at /data"),
        (b"[" * 100_000, "nested too deeply"),
        (b'{"data": 3}', "record 1: "),
        (b'{"data": [{"m": "\\ud800"}]}', "half a surrogate pair"),
    ],
)
def test_a_message_that_the_mapping_cannot_read_is_held_with_its_reason(tmp_path: Path, sent: bytes, told: str) -> None:
    good, (bad,) = decoded(source(tmp_path), sent, NOW)
    assert good == []
    assert told in bad.detail
    assert bad.payload == sent


def test_more_records_than_a_payload_may_hold_are_held_whole(tmp_path: Path) -> None:
    good, (bad,) = decoded(source(tmp_path), payload(*(item(n=n) for n in range(501))), NOW)
    assert (good, bad.reason) == ([], "too_many")


def test_a_csv_message_is_read_by_its_header_and_its_own_marks(tmp_path: Path) -> None:
    (good,), bad = decoded(source(tmp_path, CSV.replace('unit = "house"\n', "")), LINES.encode(), NOW)
    assert bad == []
    assert good.record.at == datetime(2026, 1, 14, 12, 3, 7, tzinfo=UTC)  # Denver is UTC - 7 h in January
    assert (good.record.run_up_s, good.record.line_v, good.record.outcome) == (0.21, 241.5, "ran")
    assert (good.record.retry, json.loads(good.extra or b"")) == (0, {"site": "a"})


def test_a_csv_without_a_header_takes_the_names_of_the_mapping(tmp_path: Path) -> None:
    names, row = LINES.splitlines()
    listed = ", ".join(f'"{name}"' for name in names.split(";"))
    text = CSV.replace('format = "csv"', f'format = "csv"\ncolumns = [{listed}]')
    (found,) = from_payload(source(tmp_path, text), f"{row}\n".encode())
    assert found.record is not None
    assert found.record["seq"] == 7


def test_a_file_of_another_logger_is_read_with_what_is_wrong_told_by_its_line(tmp_path: Path) -> None:
    path = tmp_path / "log.txt"
    lines = LINES + "8;14.01.2026;05:33:07;-;240,0;1;1;u-1;a\n9;14.01.2026;06:00;9;9;0;0;u-1;a\n10;1;2\n\n"
    path.write_text(lines + "11;14.01.2026;07:00:00;300;999999;0;0;u-2;-\n", encoding="utf-8")
    ((frame, bad),) = files.batches("starts", [path], source=source(tmp_path, CSV))
    assert frame["unit"].tolist() == ["u-1", "u-1"]
    assert frame["outcome"].tolist() == ["ran", "locked"]
    assert [str(b).removeprefix(f"{path}, ") for b in bad] == [
        "line 4: at: time data '14.01.2026 06:00' does not match format '%d.%m.%Y %H:%M:%S'",
        "line 5: 3 cells where there are 9 columns",
        "line 7: line_v: must be at most 1000, not 999999",
    ]


def test_a_json_file_may_be_one_document_or_one_a_line(tmp_path: Path) -> None:
    wanted = source(tmp_path, EXAMPLE.replace('topic = "site/{device}/compressor/started"', 'unit = "/u"'))
    first, second = payload(item(u="a"), item(n=8, u="a")), payload(item(n=9, u="b"))
    for written in (first + b"\n" + second + b"\n{\n", json.dumps(json.loads(first), indent=1).encode()):
        found = list(from_file(wanted, io.BytesIO(written), "f"))
        assert [m.record["unit"] for m in found if m.record][:2] == ["a", "a"]
    assert [m.number for m in from_file(wanted, io.BytesIO(first + b"\n" + second + b"\n{\n"), "f")] == [1, 1, 2, 3]
    with pytest.raises(BadInputError, match="f: not JSON"):
        list(from_file(wanted, io.BytesIO(b"{"), "f"))
    with pytest.raises(BadInputError, match="f: not UTF-8"):
        list(from_file(wanted, io.BytesIO(b"\xff\xfe"), "f"))


@pytest.mark.parametrize(
    ("clock", "raw", "expected"),
    [
        ('as = "unix_s"', 1768392187.25, "2026-01-14T12:03:07.250000+00:00"),
        ('as = "unix_us"', 1768392187250001, "2026-01-14T12:03:07.250001+00:00"),
        ('as = "rfc3339"', "2026-01-14T05:03:07-07:00", "2026-01-14T12:03:07+00:00"),
        # published: the rule of US daylight saving (15 U.S.C. 260a): in 2026 from 8 March to 1 November, 02:00
        ('zone = "America/Denver"', "2026-07-01 06:00:00", "2026-07-01T12:00:00+00:00"),
        ('zone = "America/Denver"', "2026-11-01 01:30:00", "2026-11-01T07:30:00+00:00"),
        ('zone = "America/Denver"', "2026-03-08 02:30:00", None),
        ('as = "rfc3339"', "2026-01-14T05:03:07", None),
    ],
)
def test_times_come_in_many_forms_and_none_is_guessed(
    tmp_path: Path, clock: str, raw: Any, expected: str | None
) -> None:
    (found,) = from_payload(source(tmp_path, EXAMPLE.replace('as = "unix_ms"', clock)), payload(item(t=raw)))
    assert (found.record and found.record["at"]) == expected
    assert bool(found.fault) == (expected is None)


def test_lists_of_a_rest_are_converted_one_by_one(tmp_path: Path) -> None:
    text = """
[rests]
topic = "r/{device}"
missing = [-1]
[rests.fields]
seq = { value = 0 }
at = "/at"
t_s = { from = "/t", unit = "min" }
suction_kpa = { from = "/p", unit = "bar" }
"""
    sent = json.dumps({"at": "2026-01-14T12:00:00Z", "t": [0, 1, 2], "p": [4, -1, 5.5]}).encode()
    (good,), bad = decoded(source(tmp_path, text), sent, NOW)
    assert bad == []
    assert (good.record.t_s, good.record.suction_kpa) == ([0.0, 60.0, 120.0], [400.0, None, 550.0])


@pytest.mark.published
@pytest.mark.parametrize(
    ("pointer", "value"),
    [
        # published: RFC 6901, section 5
        ("", ...),
        ("/foo", ["bar", "baz"]),
        ("/foo/0", "bar"),
        ("/", 0),
        ("/a~1b", 1),
        ("/c%d", 2),
        ("/e^f", 3),
        ("/g|h", 4),
        ("/i\\j", 5),
        ('/k"l', 6),
        ("/ ", 7),
        ("/m~0n", 8),
        # and what leads nowhere: section 4 forbids leading zeros, section 7 leaves the error to the user of it
        ("/foo/00", None),
        ("/foo/2", None),
        ("/foo/-", None),
        ("/nothing/there", None),
    ],
)
def test_a_json_pointer_leads_where_its_standard_says(pointer: str, value: Any) -> None:
    document = {
        "foo": ["bar", "baz"],
        "": 0,
        "a/b": 1,
        "c%d": 2,
        "e^f": 3,
        "g|h": 4,
        "i\\j": 5,
        'k"l': 6,
        " ": 7,
        "m~n": 8,
    }
    assert pointed(document, pointer) == (document if value is ... else value)


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(list(item())), inner, max_size=8),
    max_leaves=10,
)


@pytest.fixture(scope="module")
def sources(tmp_path_factory: pytest.TempPathFactory) -> tuple[mapping.Source, ...]:
    folder = tmp_path_factory.mktemp("mappings")
    return source(folder), source(folder, CSV.replace('unit = "house"\n', ""))


@settings(max_examples=200, deadline=None)
@given(
    items=st.lists(st.fixed_dictionaries(dict.fromkeys(item(), JSON)) | JSON, max_size=4), raw=st.binary(max_size=60)
)
def test_whatever_another_logger_sends_is_taken_or_held(
    items: list[Any], raw: bytes, sources: tuple[mapping.Source, ...]
) -> None:
    for wanted in sources:
        for sent in (json.dumps({"data": items}).encode(), raw):
            good, bad = decoded(wanted, sent, NOW)
            assert len(bad) <= 1
            assert len(good) <= max(len(items), 3)
            assert all("\n" not in b.detail and b.payload == sent for b in bad)
