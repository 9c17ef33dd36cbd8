"""The contract in writing is what the structs are, and outside validators agree with it."""

from __future__ import annotations

import gzip
import json
import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, get_args

import jsonschema
import msgspec
import pytest

from ingest import decode, documents
from ingest.meanings import EXAMPLES, MEANINGS
from ingest.shapes import RECORDS, FileKind
from ingest.wire import KINDS, Kind

DATA = Path(__file__).parents[1] / "data" / "asyncapi"
GUIDE = (documents.HERE / "WIRE.md").read_text(encoding="utf-8")
RECEIVED_AT = datetime(2026, 1, 15, tzinfo=UTC)


def test_every_document_stands_as_the_structs_would_make_it() -> None:
    stale = [path.name for path, text in documents.documents() if path.read_text(encoding="utf-8") != text]
    assert stale == [], "run python -m ingest.documents"


@pytest.mark.published
def test_the_asyncapi_document_is_valid_by_the_standards_own_schema() -> None:
    # The JSON Schema of AsyncAPI 3.0.0 as its maintainers publish it: tests/data/asyncapi/SOURCES.md.
    standard = json.loads(gzip.decompress((DATA / "asyncapi-3.0.0.schema.json.gz").read_bytes()))
    validator = jsonschema.Draft7Validator(standard)
    document = documents.asyncapi()
    assert [error.message for error in validator.iter_errors(document)] == []
    document["operations"]["receive_starts"]["action"] = "listen"
    assert not validator.is_valid(document)


@pytest.mark.parametrize("kind", KINDS)
def test_the_examples_of_a_message_are_valid_by_its_payload_schema(kind: str) -> None:
    document = documents.asyncapi()
    message = document["components"]["messages"][kind]
    validator = jsonschema.Draft7Validator(message["payload"] | {"components": document["components"]})
    for example in message["examples"]:
        validator.validate(example["payload"])
        assert kind == "status" or validator.is_valid([example["payload"]] * 500)
        assert not validator.is_valid([example["payload"]] * 501)


@pytest.mark.parametrize("kind", RECORDS)
def test_the_schema_of_a_file_record_and_its_struct_take_and_refuse_the_same(kind: FileKind) -> None:
    own = documents.schema(RECORDS[kind])
    jsonschema.Draft7Validator.check_schema(own)
    validator = jsonschema.Draft7Validator(own, format_checker=jsonschema.Draft7Validator.FORMAT_CHECKER)
    beside = {} if kind in {"units", "visits", "forecasts"} else {"unit": "u-0001"}
    for example in EXAMPLES[kind]:
        record = example | beside
        assert (validator.is_valid(record), _takes(RECORDS[kind], record)) == (True, True)
        for name in own["required"]:
            less = {k: v for k, v in record.items() if k != name}
            assert (validator.is_valid(less), _takes(RECORDS[kind], less)) == (False, False)
        for name, about in own["properties"].items():
            for wrong in _wrong(about):
                changed = record | {name: wrong}
                assert (validator.is_valid(changed), _takes(RECORDS[kind], changed)) == (False, False), (name, wrong)


def test_the_schema_wants_an_outcome_or_a_wave_or_a_power_log() -> None:
    validator = jsonschema.Draft7Validator(documents.schema(RECORDS["starts"]))
    bare: dict[str, Any] = {"unit": "u", "seq": 1, "at": "2026-01-14T12:00:00Z"}
    assert not validator.is_valid(bare)
    assert not validator.is_valid(bare | {"outcome": None})
    assert validator.is_valid(bare | {"outcome": "ran"})
    assert validator.is_valid(bare | {"source": "power_log"})


def test_every_field_has_its_meaning_and_every_meaning_its_field() -> None:
    fields = {f for record in [*documents.WIRE.values(), *RECORDS.values(), documents.Wave] for f in _fields(record)}
    assert set(MEANINGS) == fields


@pytest.mark.parametrize("kind", KINDS)
def test_the_examples_of_the_guide_go_through_the_decoder(kind: Kind) -> None:
    part = GUIDE.split(f"<!-- examples: {kind} -->")[1].split("<!-- end -->")[0]
    examples = re.findall(r"```json\n(.*?)\n```", part, flags=re.DOTALL)
    assert len(examples) == len(EXAMPLES[kind])
    for example in examples:
        good, bad = decode.decode(kind, example.encode(), RECEIVED_AT)
        assert (len(good), bad) == (1, [])
        assert good[0].extra is None


def test_the_worked_wave_of_the_guide_gives_the_figures_that_stand_below_it() -> None:
    code = re.search(r"```python\n(.*?)```", GUIDE, flags=re.DOTALL)
    assert code is not None
    names: dict[str, Any] = {}
    exec(compile(code[1], "WIRE.md", "exec"), names)  # noqa: S102  the guide's own example
    good, bad = decode.decode("starts", names["payload"].encode(), RECEIVED_AT)
    assert bad == []
    said = dict(re.findall(r"`(peak_a|run_a|run_up_s)` ([\d.]+[\d])", GUIDE.split("The server makes of it")[1]))
    found = good[0].record
    assert found.outcome == "ran"
    assert round(found.peak_a, 1) == float(said["peak_a"]) == 60.0  # published: a sine of 60 A RMS has 60 A RMS
    assert round(found.run_a, 1) == float(said["run_a"]) == 12.0
    assert round(found.run_up_s, 2) == float(said["run_up_s"]) == 0.30
    assert found.outdoor_c == -12.0


def test_the_bytes_and_the_base64_of_the_guide_are_those_of_its_counts() -> None:
    assert "`00 00 b0 04 50 fb`, in base64 `AACwBFD7`" in GUIDE
    counts = b"".join(n.to_bytes(2, "little", signed=True) for n in (0, 1200, -1200))
    assert counts.hex(" ") == "00 00 b0 04 50 fb"
    assert msgspec.json.encode(counts) == b'"AACwBFD7"'


def test_the_guide_lists_the_reasons_that_the_decoder_gives() -> None:
    listed = set(re.findall(r"^\| `(\w+)` \|", GUIDE.split("## What is not stored")[1], flags=re.MULTILINE))
    assert listed == set(get_args(decode.Reason))


def _takes(record: type[msgspec.Struct], raw: dict[str, Any]) -> bool:
    try:
        msgspec.convert(raw, record)
    except msgspec.ValidationError:
        return False
    return True


def _wrong(about: dict[str, Any]) -> list[Any]:
    """Values that a property must refuse: of the wrong type, and beyond each limit."""
    one = next((o for o in about.get("anyOf", ()) if o != {"type": "null"}), about)
    values: list[Any] = [True] if "type" in one or "enum" in one else []
    if "minimum" in one:
        values.append(one["minimum"] - 1)
    if "exclusiveMinimum" in one:
        values.append(one["exclusiveMinimum"])
    if "maximum" in one:
        values.append(one["maximum"] + 1)
    if "enum" in one:
        values.append("no such word")
    return values


def _fields(record: type[msgspec.Struct]) -> set[str]:
    return set(record.__struct_fields__)


def test_the_words_of_a_visit_in_the_guide_are_those_of_the_schema() -> None:
    words = documents.schema(RECORDS["visits"])["properties"]["work"]["items"]["enum"]
    assert set(re.findall(r"`(\w+)`", MEANINGS["work"])) == set(words)
