"""CSV and Parquet: whole columns checked at once, and row by row only what the columns cannot vouch for."""

from __future__ import annotations

import csv
import difflib
from collections.abc import Iterator, Sequence
from typing import IO, Any

import msgspec
import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.csv
import pyarrow.parquet

from ingest import frames, keys, rows
from ingest.cells import checked, decoded
from ingest.complaint import Rejected
from ingest.errors import BadInputError
from ingest.shapes import KEEPS_UNKNOWN, FileKind, columns

BATCH_ROWS = 100_000
CSV_BLOCK = 8 << 20
Batch = tuple[pd.DataFrame, list[Rejected]]


def csv_batches(kind: FileKind, stream: IO[bytes], path: str, skip: int = 0) -> Iterator[Batch]:
    """Yield the records of a CSV a few ten thousand at a time, with those that cannot be used.

    The first line names the columns; an empty cell is null; lists and objects stand in their cell as JSON. The first
    ``skip`` batches come empty, without a look at what they hold.
    """
    names = _header(stream, path)
    check_columns(kind, names, path)
    ragged: dict[int, Rejected] = {}
    taken = 0
    for batch in _text_batches(stream, path, names, ragged):
        number = _line_numbers(taken, batch.num_rows, sorted(ragged))
        taken += batch.num_rows
        yield (frames.empty(kind), []) if skip > 0 else table_batch(kind, batch, path, number, text=True)
        skip -= 1
    if ragged:
        yield frames.empty(kind), list(ragged.values())


def log_table(stream: IO[bytes], path: str) -> tuple[pd.DataFrame, list[Rejected]]:
    """Return a CSV of any columns as text, None where a cell is empty, and the rows that do not fit its header."""
    names = _header(stream, path)
    if len(set(names)) < len(names):
        raise BadInputError(
            f"{path}: column '{next(n for n in names if names.count(n) > 1)}' is there twice; leave one"
        )
    ragged: dict[int, Rejected] = {}
    parts = [
        pd.DataFrame({n: _objects(batch[n]) for n in names}) for batch in _text_batches(stream, path, names, ragged)
    ]
    whole = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame(columns=names, dtype=object)
    told = np.flatnonzero(whole.notna().any(axis=1).to_numpy())
    return whole.iloc[: told[-1] + 1 if told.size else 0], list(ragged.values())  # without empty lines at the end


def _objects(cells: pa.ChunkedArray) -> pd.Series:
    try:
        return pd.Series(cells.cast(pa.string()).to_numpy(zero_copy_only=False), dtype=object)
    except pa.ArrowInvalid:
        return pd.Series([c and c.decode(errors="replace") for c in cells.to_pylist()], dtype=object)


def _text_batches(
    stream: IO[bytes], path: str, names: Sequence[str], ragged: dict[int, Rejected]
) -> Iterator[pa.Table]:
    """Yield what follows a CSV's header as cells of bytes; rows that do not fit it go to ``ragged`` by their number."""

    def skip(row: pa.csv.InvalidRow) -> str:
        # The parser does not count the header, which has been read already.
        text = f"{row.actual_columns} cells where the header has {row.expected_columns}; quote cells that hold commas"
        ragged[row.number] = Rejected(path, row.number + 1, "", text)
        return "skip"

    try:
        reader = pa.csv.open_csv(
            stream,
            pa.csv.ReadOptions(use_threads=False, block_size=CSV_BLOCK, column_names=names),
            pa.csv.ParseOptions(newlines_in_values=True, invalid_row_handler=skip, ignore_empty_lines=False),
            pa.csv.ConvertOptions(
                column_types=dict.fromkeys(names, pa.binary()), strings_can_be_null=True, null_values=[""]
            ),
        )
        for batch in reader:
            yield pa.table(batch)
    except pa.ArrowInvalid as error:
        if "Empty CSV" not in str(error):
            raise BadInputError(f"{path}: not a CSV that can be read ({str(error).splitlines()[0]})") from None


def parquet_batches(kind: FileKind, source: IO[bytes], path: str, skip: int = 0) -> Iterator[Batch]:
    """Yield the records of a Parquet file a few ten thousand at a time, with those that cannot be used.

    The first ``skip`` batches come empty, without a look at what they hold.
    """
    try:
        file = pa.parquet.ParquetFile(source)
    except (pa.ArrowInvalid, OSError) as error:
        raise BadInputError(f"{path}: not a Parquet file that can be read ({str(error).splitlines()[0]})") from None
    check_columns(kind, file.schema_arrow.names, path)
    for column in columns(kind).values():
        if column.kind == "time":
            held = file.schema_arrow.field(column.name).type
            zoned = pa.types.is_timestamp(held) and held.tz is not None
            if not (zoned or pa.types.is_string(held) or pa.types.is_large_string(held)):
                raise BadInputError(
                    f"{path}: column '{column.name}' is {held}; write it as a timestamp with a time zone (UTC)"
                )
    taken = 0
    for batch in file.iter_batches(batch_size=BATCH_ROWS):
        number = np.arange(taken + 1, taken + 1 + batch.num_rows)
        taken += batch.num_rows
        yield (frames.empty(kind), []) if skip > 0 else table_batch(kind, pa.table(batch), path, number, text=False)
        skip -= 1


def check_columns(kind: FileKind, names: Sequence[str], path: str) -> None:
    """Raise one line if a required column is missing, twice there, or of NDJSON only."""
    for column in columns(kind).values():
        if column.required and column.name not in names:
            if len(names) == 1 and (";" in names[0] or "\t" in names[0]):
                raise BadInputError(f"{path}: its cells are not parted by commas; save it as comma-separated")
            near = difflib.get_close_matches(column.name, [n for n in names if n not in columns(kind)], 1, 0.5)
            hint = f"is it '{near[0]}'? rename it" if near else f"there are: {', '.join(names[:12])}"
            raise BadInputError(f"{path}: no column '{column.name}', which {kind} need; {hint}")
    _check_twice(names, path)
    if kind == "starts" and "wave" in names:
        raise BadInputError(f"{path}: column 'wave' can stand in NDJSON only; write the starts as .ndjson")


def _check_twice(names: Sequence[str], path: str) -> None:
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise BadInputError(f"{path}: column '{twice}' is there twice; leave one")


def _header(stream: IO[bytes], path: str) -> list[str]:
    line = stream.readline().removeprefix(b"\xef\xbb\xbf")
    if line[:2] in {b"\xff\xfe", b"\xfe\xff"}:
        raise BadInputError(f"{path}: is UTF-16; save it as UTF-8")
    if not line.strip():
        raise BadInputError(f"{path}: is empty; its first line must name the columns")
    try:
        names = next(csv.reader([line.decode().rstrip("\r\n")], strict=True))
    except (csv.Error, UnicodeDecodeError):
        raise BadInputError(f"{path}: line 1 is no CSV header in UTF-8; name the columns there") from None
    return names


def _line_numbers(taken: int, count: int, skipped: Sequence[int]) -> np.ndarray:
    """Return the line of each row: the parser counts lines after the header, those left out included."""
    number = np.arange(taken + 1, taken + 1 + count)
    for line in skipped:
        number[number >= line] += 1
    return number + 1


def table_batch(kind: FileKind, table: pa.Table, path: str, number: np.ndarray, *, text: bool) -> Batch:
    """Return the usable rows of a table as a frame, and the others with their line and fault.

    Parameters
    ----------
    kind
        What the rows are.
    table
        All cells as bytes where ``text``, else in their own types.
    path, number
        The file, and each row's line in it.
    text
        Whether the cells are text as in a CSV.
    """
    table = _plain_types(table)
    arrays, sure = _sure(kind, table)
    others = [n for n in table.column_names if n not in columns(kind)]
    extra = _extras(table, others, text=text)[sure].tolist() if kind in KEEPS_UNKNOWN and others else ()
    plain = frames.frame(kind, {name: values[sure] for name, values in arrays.items()}, extra)
    plain = keys.at_lines(plain, number[sure])
    if sure.all():
        return plain, []
    good: list[rows.Good] = []
    places: list[int] = []
    bad: list[Rejected] = []
    unsure = np.flatnonzero(~sure)
    for place, raw in zip(unsure.tolist(), table.take(pa.array(unsure)).to_pylist(), strict=True):
        if text and all(cell is None for cell in raw.values()):
            continue  # an empty line
        read = _row(kind, raw, path, int(number[place]), text=text)
        if isinstance(read, Rejected):
            bad.append(read)
        else:
            good.append(read)
            places.append(place)
    if not good:
        return plain, bad
    careful = frames.from_records(kind, [g.record for g in good], [g.extra for g in good])
    held = np.concatenate([np.flatnonzero(sure), np.array(places, int)])
    order = np.argsort(held, kind="stable")
    return keys.at_lines(frames.concat(kind, [plain, careful]).iloc[order], number[held[order]]), bad


def _plain_types(table: pa.Table) -> pa.Table:
    """Undo dictionary encoding, which few of the checks take; cut nanoseconds to microseconds."""
    for place, held in enumerate(table.schema):
        if pa.types.is_timestamp(held.type):
            cut = table[held.name].cast(pa.timestamp("us", held.type.tz), safe=False)
            table = table.set_column(place, held.name, cut)
        if pa.types.is_dictionary(held.type):
            table = table.set_column(place, held.name, table[held.name].cast(held.type.value_type))
    return table


def _sure(kind: FileKind, table: pa.Table) -> tuple[dict[str, np.ndarray], np.ndarray]:
    """Return the columns of the kinds that are all plain cells, and which rows are surely right."""
    known = columns(kind)
    if kind == "units" or any(c.kind == "nested" for c in known.values()):
        return {}, np.zeros(table.num_rows, bool)  # few and intricate: row by row
    sure = np.ones(table.num_rows, bool)
    arrays: dict[str, np.ndarray] = {}
    for name, column in known.items():
        if name in table.column_names:
            arrays[name], fine = checked(table[name], column)
            sure &= fine
    if kind == "starts":
        told = arrays.get("outcome", np.full(table.num_rows, None, object))
        sure &= np.array([v is not None for v in told], bool)
    return arrays, sure


def _extras(table: pa.Table, others: Sequence[str], *, text: bool) -> np.ndarray:
    """Return each row's unknown cells as a JSON object in text, None where it has none."""
    made = np.full(table.num_rows, None, object)
    for place, raw in enumerate(table.select(others).to_pylist()):
        kept = _unknown(raw, others, text=text)
        if kept:
            made[place] = msgspec.json.encode(kept).decode()
    return made


def _unknown(raw: dict[str, Any], others: Sequence[str], *, text: bool) -> dict[str, Any]:
    """Return a row's unknown fields; what was written under ``extra`` goes back to the top level."""
    kept: dict[str, Any] = {}
    for name in others:
        value = decoded(raw[name])
        if value is None or value != value:  # noqa: PLR0124  NaN is not itself
            continue
        if name == "extra" or text:
            value = _from_json(value)
        if name == "extra" and isinstance(value, dict):
            kept |= value
        else:
            kept[name] = value
    return kept


def _from_json(value: object) -> Any:  # noqa: ANN401  JSON is what it is
    if not isinstance(value, str):
        return value
    try:
        return msgspec.json.decode(value)
    except msgspec.DecodeError:
        return value


def _row(kind: FileKind, raw: dict[str, Any], path: str, number: int, *, text: bool) -> rows.Good | Rejected:
    known = columns(kind)
    fields: dict[str, Any] = {}
    for name, cell in raw.items():
        value = decoded(cell)
        if value is None or value != value:  # noqa: PLR0124  NaN is not itself
            continue
        if isinstance(value, bytes):
            return Rejected(path, number, name, "not UTF-8 text; save the file as UTF-8")
        if name in known:
            nested = known[name].kind == "nested"
            fields[name] = _from_json(value) if nested else str(value) if known[name].name == "installed" else value
    fields |= _unknown(raw, [n for n in raw if n not in known], text=text)
    return rows.from_mapping(kind, fields, path, number, strict=False)
