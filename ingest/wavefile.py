"""Recorded starts in files: tables of samples (CSV), arrays (NPZ), and the wave of the wire contract (JSON)."""

from __future__ import annotations

import gzip
import io
import zipfile
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import msgspec
import numpy as np
import pandas as pd

from ingest.complaint import Rejected, complaint
from ingest.errors import BadInputError
from ingest.halfcycle import Array, nominal_hz
from ingest.shapes import FileStart
from ingest.wave import samples
from ingest.wavecolumns import find
from ingest.wire import Start, Wave

_RATES = ("rate_hz", "fs_hz", "sample_rate_hz", "fs")
_MAINS = ("hz", "f0_hz", "mains_hz", "f0")
ENDINGS = (".csv", ".npz", ".json", ".ndjson", ".jsonl")


@dataclass(frozen=True, kw_only=True)
class Recording:
    """One sampled start: amperes, volts (or None), samples a second, mains frequency, and what was sent with it."""

    current_a: Array
    voltage_v: Array | None
    rate_hz: float
    hz: int
    line: int | None = None
    sent: Start | None = None


def read(path: str | Path, hz: int | None = None) -> tuple[list[Recording], list[Rejected]]:
    """Read the recorded starts of one file.

    Parameters
    ----------
    path
        By ending: ``.csv`` with a header that names a time, a current and perhaps a voltage column; ``.npz`` with such
        arrays, or ``rate_hz`` instead of the time; ``.json .ndjson .jsonl`` with wave objects of the wire contract, or
        starts that have one. Each also with ``.gz``.
    hz
        Mains frequency, 50 or 60; without it, what the file says, else whichever of the two the samples show.

    Returns
    -------
    tuple
        The recordings, and the lines of a JSON file that cannot be used.

    Raises
    ------
    BadInputError
        The file cannot be used at all.
    """
    where = Path(path)
    name = where.name.lower()
    data = _bytes(where)
    if name.endswith(".gz"):
        name = name.removesuffix(".gz")
        try:
            data = gzip.decompress(data)
        except (OSError, EOFError, zlib.error) as error:
            raise BadInputError(f"{where}: its gzip data is damaged ({error}); copy the file again") from None
    if name.endswith(".csv"):
        return [_table(data, str(where), hz)], []
    if name.endswith(".npz"):
        return [_arrays(data, str(where), hz)], []
    if name.endswith((".json", ".ndjson", ".jsonl")):
        return _objects(data, str(where), hz)
    raise BadInputError(f"{where}: unknown ending; a recorded start is one of {' '.join(ENDINGS)}")


def _bytes(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except FileNotFoundError:
        raise BadInputError(f"{path}: no such file; check the name") from None
    except IsADirectoryError:
        raise BadInputError(f"{path}: is a folder; name a file in it") from None
    except OSError as error:
        raise BadInputError(f"{path}: cannot be read ({error.strerror}); check its permissions") from None


def _table(data: bytes, where: str, hz: int | None) -> Recording:
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        raise BadInputError(f"{where}: is not text; save it as CSV in UTF-8") from None
    lines = text.splitlines()
    at = next((n for n, line in enumerate(lines) if line.strip() and not line.startswith("#")), None)
    if at is None:
        raise BadInputError(f"{where}: is empty; a header and one row a sample are needed")
    separator = max(",;\t", key=lines[at].count)
    names = [name.strip().strip('"') for name in lines[at].split(separator)]
    current, time = find(names, "current", where), find(names, "time", where)
    if current is None or time is None:
        wanted = "current, such as current_a" if current is None else "time, such as time_s"
        raise BadInputError(f"{where}: no column of {wanted}; it has {', '.join(names)}")
    voltage = find(names, "voltage", where)
    try:
        frame = pd.read_csv(io.StringIO(text), sep=separator, header=None, skiprows=at + 1, names=names, dtype=str)
    except (pd.errors.ParserError, ValueError) as error:
        raise BadInputError(f"{where}: is no table with one row a sample ({str(error).splitlines()[0]})") from None
    seconds = _column(frame, time, where, at)
    amperes = _column(frame, current, where, at)
    volts = None if voltage is None else _column(frame, voltage, where, at)
    return _recording(amperes, volts, _rate(seconds, where), hz, where)


def _column(frame: pd.DataFrame, column: tuple[str, float], where: str, header: int) -> Array:
    name, scale = column
    values = pd.to_numeric(frame[name], errors="coerce").to_numpy(np.float64)
    bad = np.flatnonzero(~np.isfinite(values))
    if bad.size:
        found = frame[name].iloc[bad[0]]
        shown = "it is empty" if pd.isna(found) else f"not '{found}'"
        raise BadInputError(f"{where}, line {header + 2 + bad[0]}: {name}: must be a number, {shown}")
    return np.asarray(values * scale, dtype=np.float64)


def _rate(seconds: Array, where: str) -> float:
    steps = np.diff(seconds)
    if steps.size == 0:
        raise BadInputError(f"{where}: has {seconds.size} samples; at least three cycles are needed")
    step = float(seconds[-1] - seconds[0]) / steps.size
    if step <= 0.0 or float(np.abs(steps - step).max()) > 0.5 * step:
        raise BadInputError(f"{where}: its times do not rise evenly; resample it to a fixed rate")
    rate = 1.0 / step
    return float(round(rate)) if abs(rate - round(rate)) < 1e-3 * rate else rate


def _arrays(data: bytes, where: str, hz: int | None) -> Recording:
    try:
        with np.load(io.BytesIO(data), allow_pickle=False) as file:
            held = {name: file[name] for name in file.files}
    except (ValueError, OSError, zipfile.BadZipFile, zlib.error, AttributeError) as error:
        raise BadInputError(f"{where}: is no NPZ of plain arrays ({str(error).splitlines()[0]})") from None
    series = {n: np.asarray(a, np.float64) for n, a in held.items() if a.ndim == 1 and a.dtype.kind in "iuf"}
    single = {n: float(a.ravel()[0]) for n, a in held.items() if a.size == 1 and a.dtype.kind in "iuf"}
    current, voltage, time = (find(series, q, where) for q in ("current", "voltage", "time"))
    if current is None:
        raise BadInputError(f"{where}: no array of current, such as current_a; it has {', '.join(held) or 'none'}")
    rate = next((single[name] for name in _RATES if name in single), None)
    if rate is None:
        if time is None:
            raise BadInputError(f"{where}: neither rate_hz nor time_s; it has {', '.join(held)}")
        rate = _rate(series[time[0]] * time[1], where)
    mains = next((single[name] for name in _MAINS if name in single), None)
    amperes = series[current[0]] * current[1]
    volts = None if voltage is None else series[voltage[0]] * voltage[1]
    return _recording(amperes, volts, rate, hz or (None if mains is None else round(mains)), where)


def _recording(amperes: Array, volts: Array | None, rate: float, hz: int | None, where: str) -> Recording:
    if not np.isfinite(amperes).all() or (volts is not None and not np.isfinite(volts).all()):
        raise BadInputError(f"{where}: a sample is not a finite number")
    if hz is None:
        shows = amperes if volts is None or volts.size != amperes.size else volts
        hz = nominal_hz(shows, rate) if shows.size else 60
    return Recording(current_a=amperes, voltage_v=volts, rate_hz=rate, hz=hz)


def _objects(data: bytes, where: str, hz: int | None) -> tuple[list[Recording], list[Rejected]]:
    good: list[Recording] = []
    bad: list[Rejected] = []
    for line, raw in _decoded(data):
        try:
            if isinstance(raw, Exception):
                raise raw
            good.append(_object(raw, line, hz))
        except (msgspec.DecodeError, UnicodeDecodeError, ValueError) as error:
            bad.append(Rejected(where, line, *complaint(error, None if isinstance(raw, Exception) else raw)))
    if not good and not bad:
        raise BadInputError(f"{where}: is empty; one wave, or one start with a wave, a line is needed")
    return good, bad


def _decoded(data: bytes) -> Iterator[tuple[int, object]]:
    """Yield the line and the value of each object: the whole file as one value, or else one a line."""
    try:
        whole = msgspec.json.decode(data)
    except (msgspec.DecodeError, UnicodeDecodeError):
        for number, line in enumerate(data.splitlines(), 1):
            if line.strip():
                try:
                    yield number, msgspec.json.decode(line)
                except (msgspec.DecodeError, UnicodeDecodeError) as error:
                    yield number, error
    else:
        for number, raw in enumerate(whole if isinstance(whole, list) else [whole], 1):
            yield number, raw


def _object(raw: object, line: int, hz: int | None) -> Recording:
    if not isinstance(raw, dict):
        raise ValueError("wave: must be an object, or a start that has one")  # noqa: TRY004 - bad input, not a bad call
    sent: Start | None = None
    if "current" in raw:
        wave = msgspec.convert(raw, Wave)
    else:
        if raw.get("wave") is None:
            raise ValueError("wave: missing; every start needs one here")
        sent = msgspec.convert(raw, FileStart if raw.get("unit") is not None else Start)
        wave = msgspec.convert(raw["wave"], Wave)
    current, voltage = samples(wave)
    return Recording(current_a=current, voltage_v=voltage, rate_hz=wave.rate_hz, hz=hz or wave.hz, line=line, sent=sent)
