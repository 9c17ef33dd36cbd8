"""A mapping is checked whole when it is read; what is wrong is told with its line (the mappings are invented)."""

from __future__ import annotations

from pathlib import Path

import pytest

from ingest import mapping
from ingest.errors import BadInputError

GUIDE = (Path(__file__).parents[2] / "ingest" / "WIRE.md").read_text(encoding="utf-8")
EXAMPLE = GUIDE.partition("<!-- mapping: an example -->\n```toml\n")[2].partition("```\n<!-- end of mapping")[0]


def read(folder: Path, text: str) -> tuple[mapping.Source, ...]:
    path = folder / "m.toml"
    path.write_text(text, encoding="utf-8")
    return mapping.read(path)


def line_of(part: str) -> int:
    return next(n for n, line in enumerate(EXAMPLE.splitlines(), 1) if part in line)


def test_the_example_of_the_guide_can_be_read(tmp_path: Path) -> None:
    (source,) = read(tmp_path, EXAMPLE)
    assert (source.kind, source.form, source.records, source.missing) == ("starts", "json", "/data", (-999,))
    assert [field.name for field in source.extra] == ["humidity"]
    assert mapping.find((source,), "site/d-7/compressor/started") == (source, "d-7")
    assert mapping.filters((source,)) == ["site/+/compressor/started"]


@pytest.mark.parametrize(
    ("was", "becomes", "told"),
    [
        ("[starts]", "[begins]", "begins: no such table; there are starts, rests, events, status"),
        ("records =", "record =", "starts: has an unknown field `record`"),
        ('seq = "/n"', 'seq = "n"', "starts.fields.seq: 'n' is no JSON pointer (RFC 6901)"),
        ('seq = "/n"', "seq = 3", "starts.fields.seq: Expected `object`, got `int`"),
        ("run_up_s", "run_up_ms", "starts.fields.run_up_ms: starts have no such field"),
        ('"degF"', '"Fahrenheit"', "outdoor_c: unit = 'Fahrenheit' is not known here; there are degC, degF, K"),
        ('unit = "ms"', 'unit = "ms", factor = 2', "run_up_s: give either unit, or factor and offset"),
        ("factor = 0.05", "factor = 'x'", "starts.fields.peak_a.factor: Expected `float | null`, got `str`"),
        ('as = "unix_ms"', 'as = "epoch"', "at: as = 'epoch' is none of rfc3339, unix_s"),
        ('as = "unix_ms"', 'zone = "Mars/Base"', "at: zone = 'Mars/Base' is no time zone"),
        ("value = 1", "wert = 1", "starts.fields.stage: has an unknown field `wert`"),
        ("{ value = 1 }", "{ }", "stage: needs either from, where it stands, or value, a constant"),
        ("{device}", "device", "starts.topic: must hold {device} once"),
        ("site/{device}", "halfsecond/{device}", "starts.topic: is a topic of the contract's own"),
        ("site/{device}", "si+te/{device}", "starts.topic: + may stand only alone"),
        ("humidity", "line_v", "starts.extra.line_v: is a field of ours; put it under fields"),
        ('from = "/trip", equals = true', 'from = "/trip"', "outcome.0: from and a condition"),
        ("equals = true", "equal = true", "outcome.0: has an unknown field `equal`"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path: Path, was: str, becomes: str, told: str) -> None:
    assert EXAMPLE.count(was) >= 1
    expected = line_of(was)
    if "outcome" in told:
        expected = line_of("outcome = [")
    if "unknown field `record`" in told:
        expected = line_of("[starts]")
    with pytest.raises(BadInputError) as caught:
        read(tmp_path, EXAMPLE.replace(was, becomes, 1))
    assert f"m.toml, line {expected}: " in str(caught.value)
    assert told in str(caught.value)
    assert "\n" not in str(caught.value)


def test_what_is_no_toml_is_told_with_its_line(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match=r"m.toml, line 3: not TOML \("):
        read(tmp_path, "[starts]\n\ntopic = 'a\n")
    with pytest.raises(BadInputError, match=r"m.toml, line 1: is empty; write a table"):
        read(tmp_path, "")


def test_a_field_that_is_needed_is_missed_at_its_table(tmp_path: Path) -> None:
    text = "[[rests]]\ntopic = 'a/{device}'\n[[rests]]\ntopic = 'b/{device}'\n[rests.fields]\nseq = '/n'\nat = '/t'\n"
    with pytest.raises(BadInputError, match=r"line 1: rests.0.fields: seq is missing; rests need it"):
        read(tmp_path, text)
    with pytest.raises(BadInputError, match=r"line 6: rests.1.fields: t_s is missing"):
        read(tmp_path, text.replace("'a/{device}'\n", "'a/{device}'\nfields = { seq = '/n', at = '/t', t_s = '/s' }\n"))


def test_a_folder_of_mappings_is_read_whole_and_an_empty_one_is_told(tmp_path: Path) -> None:
    with pytest.raises(BadInputError, match=r"holds no \.toml file"):
        mapping.load(tmp_path)
    (tmp_path / "a.toml").write_text(EXAMPLE, encoding="utf-8")
    (tmp_path / "b.toml").write_text(EXAMPLE.replace("site/", "plant/"), encoding="utf-8")
    sources = mapping.load(tmp_path)
    assert mapping.filters(sources) == ["site/+/compressor/started", "plant/+/compressor/started"]
    with pytest.raises(BadInputError, match="cannot be read"):
        mapping.load(tmp_path / "c.toml")


@pytest.mark.published
@pytest.mark.parametrize(
    ("topic", "fits"),
    [
        # published: MQTT 3.1.1 section 4.7.1: + matches one level exactly, # the level itself and all below
        ("a/d-1/x/b", True),
        ("a/d-1/b", False),
        ("a/d-1/x/y/b", False),
        ("a//x/b", False),
    ],
)
def test_a_topic_fits_by_its_levels(tmp_path: Path, topic: str, fits: bool) -> None:
    (source,) = read(tmp_path, EXAMPLE.replace("site/{device}/compressor/started", "a/{device}/+/b"))
    found = mapping.find((source,), topic)
    assert (found is not None) == fits
    if found:
        assert found[1] == "d-1"


def test_a_device_may_be_named_within_a_level_and_all_below_taken(tmp_path: Path) -> None:
    (source,) = read(tmp_path, EXAMPLE.replace("site/{device}/compressor/started", "gw-{device}/#"))
    assert mapping.filters((source,)) == ["+/#"]
    assert mapping.find((source,), "gw-d-1/a/b") == (source, "d-1")
    assert mapping.find((source,), "other/a/b") is None
