"""The contract in writing, made from the structs: JSON Schema, the AsyncAPI document, and the tables of WIRE.md.

Run ``python -m ingest.documents`` after a change of :mod:`ingest.wire` or :mod:`ingest.records`; a test sees that it
was done.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

import msgspec

from ingest.meanings import EXAMPLES, MEANINGS
from ingest.rows import POWER_LOG
from ingest.shapes import RECORDS, FileKind
from ingest.wire import KINDS, MAX_ITEMS, TOPIC_ROOT, Event, Rest, Start, Status, Wave

HERE = Path(__file__).parent
DIALECT = "http://json-schema.org/draft-07/schema#"
WIRE: dict[str, type[msgspec.Struct]] = {"starts": Start, "rests": Rest, "events": Event, "status": Status}
_TITLES = {
    "starts": "Starts of the compressor",
    "rests": "Pressures after a stop",
    "events": "What the control or the supply reported",
    "status": "Whether the device is on line",
}


def schemas(record: type[msgspec.Struct], template: str = "#/definitions/{name}") -> tuple[str, dict[str, Any]]:
    """Return a record's name and the JSON Schemas (draft 07) of it and of what it holds, by name.

    Beyond what the types say, a start needs ``outcome`` or ``wave``; in a file, one of a power log may lack both.
    """
    _, found = msgspec.json.schema_components([record], ref_template=template)
    for name, schema in found.items():
        schema["description"] = _plain(schema.get("description", ""))
        for field, about in schema.get("properties", {}).items():
            about["description"] = MEANINGS[field]
            if about.get("default", ...) is None:
                del about["default"]
        if issubclass(record, Start) and name == record.__name__:
            schema["anyOf"] = [_has("outcome"), _has("wave")]
            if record is not Start:
                schema["anyOf"].append({"properties": {"source": {"const": POWER_LOG}}, "required": ["source"]})
    return record.__name__, found


def schema(record: type[msgspec.Struct]) -> dict[str, Any]:
    """Return one self-contained JSON Schema (draft 07) of a record."""
    name, found = schemas(record)
    own: dict[str, Any] = found.pop(name)
    return {"$schema": DIALECT} | own | ({"definitions": found} if found else {})


def asyncapi() -> dict[str, Any]:
    """Return the AsyncAPI 3.0.0 document of the wire, seen from the server: it receives."""
    components: dict[str, Any] = {}
    messages: dict[str, Any] = {}
    channels: dict[str, Any] = {}
    operations: dict[str, Any] = {}
    for kind, record in WIRE.items():
        name, found = schemas(record, "#/components/schemas/{name}")
        components |= found
        one = {"$ref": f"#/components/schemas/{name}"}
        many = {"type": "array", "items": one, "minItems": 1, "maxItems": MAX_ITEMS}
        messages[kind] = {
            "title": _TITLES[kind],
            "contentType": "application/json",
            "payload": one if kind == "status" else {"oneOf": [one, many]},
            "examples": [{"payload": example} for example in EXAMPLES[kind]],
        }
        channels[kind] = {
            "address": f"{TOPIC_ROOT}/{{device}}/{kind}",
            "title": _TITLES[kind],
            "messages": {kind: {"$ref": f"#/components/messages/{kind}"}},
            "parameters": {"device": {"$ref": "#/components/parameters/device"}},
        }
        operations[f"receive_{kind}"] = {
            "action": "receive",
            "channel": {"$ref": f"#/channels/{kind}"},
            "messages": [{"$ref": f"#/channels/{kind}/messages/{kind}"}],
            "bindings": {"mqtt": {"qos": 1, "retain": kind == "status", "bindingVersion": "0.2.0"}},
        }
    return {
        "asyncapi": "3.0.0",
        "info": {
            "title": "Halfsecond: starts of compressors over MQTT",
            "version": version("halfsecond"),
            "description": "What a logger publishes (MQTT 3.1.1 or 5, QoS 1). A message is acknowledged to the broker "
            "only after its rows are committed; the key (unit, at, seq) makes redelivery harmless.",
            "license": {"name": "Apache-2.0", "url": "https://www.apache.org/licenses/LICENSE-2.0"},
        },
        "defaultContentType": "application/json",
        "channels": channels,
        "operations": operations,
        "components": {
            "schemas": components,
            "messages": messages,
            "parameters": {"device": {"description": "the device's name, which is its user name at the broker"}},
        },
    }


def documents() -> Iterator[tuple[Path, str]]:
    """Yield every document's path and text as they should be."""
    yield HERE / "schemas" / "asyncapi.json", _text(asyncapi())
    for kind in KINDS:
        yield HERE / "schemas" / f"wire-{kind}.schema.json", _text(schema(WIRE[kind]))
    for file_kind, record in RECORDS.items():
        yield HERE / "schemas" / f"file-{file_kind}.schema.json", _text(schema(record))
    guide = HERE / "WIRE.md"
    yield guide, filled(guide.read_text(encoding="utf-8"))


def filled(text: str) -> str:
    """Return a text with the tables and examples between its ``<!-- fields: starts -->`` marks made anew."""
    return re.sub(
        r"(<!-- (fields|examples): (\w+) -->\n).*?(<!-- end -->)",
        lambda m: m[1] + (_fields(m[3]) if m[2] == "fields" else _examples(m[3])) + m[4],
        text,
        flags=re.DOTALL,
    )


def _fields(kind: str) -> str:
    record = Wave if kind == "wave" else WIRE.get(kind) or RECORDS[_file_kind(kind)]
    own = schema(record)
    lines = ["| field | needed | range | meaning |", "|---|---|---|---|"]
    for name, about in own["properties"].items():
        needed = "yes" if name in own.get("required", ()) else ""
        if name in {"outcome", "wave"}:
            needed = "one of both"
        lines.append(f"| `{name}` | {needed} | {_range(about)} | {about['description']} |")
    return "\n".join(lines) + "\n"


def _examples(kind: str) -> str:
    return "".join(f"```json\n{json.dumps(e, ensure_ascii=False)}\n```\n" for e in EXAMPLES[kind])


def _file_kind(kind: str) -> FileKind:
    return next(k for k in RECORDS if k == kind)


def _range(about: dict[str, Any]) -> str:
    """Say a number's limits, a text's length or a list's."""
    one = next((o for o in about.get("anyOf", ()) if o != {"type": "null"}), about)
    if "minimum" in one or "exclusiveMinimum" in one:
        low = f"above {one['exclusiveMinimum']:,g}" if "exclusiveMinimum" in one else _number(one["minimum"])
        return f"{low} to {_number(one['maximum'])}"
    if "enum" in one and all(isinstance(e, int) for e in one["enum"]):
        return " or ".join(str(e) for e in one["enum"])
    if "contentEncoding" in one:
        return f"up to {one['maxLength'] * 3 // 4:,} bytes"
    if one.get("type") == "array" and "maxItems" in one:
        return f"{one.get('minItems', 0)} to {one['maxItems']:,} values"
    if "maxLength" in one:
        return f"up to {one['maxLength']:,} characters"
    return ""


def _number(value: float) -> str:
    return "2⁶³ - 1" if value == 2**63 - 1 else f"{value:,}".replace("-", "−")


def _has(field: str) -> dict[str, Any]:
    return {"properties": {field: {"not": {"type": "null"}}}, "required": [field]}


def _plain(text: str) -> str:
    return re.sub(r"\s+", " ", text.replace("``", "`"))


def _text(document: dict[str, Any]) -> str:
    return json.dumps(document, indent=1, ensure_ascii=False) + "\n"


def main() -> None:
    """Write every document that is not as it should be, and name it."""
    for path, text in documents():
        if not path.exists() or path.read_text(encoding="utf-8") != text:
            path.write_text(text, encoding="utf-8")
            print(f"wrote {path.relative_to(HERE.parent)}")


if __name__ == "__main__":
    main()
