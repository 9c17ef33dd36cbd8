"""The healthy twins of a simulated fleet as files, written batch by batch beside the fleet's own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import datetime
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from ingest.errors import UnavailableError
from simulator.faults import Faults
from simulator.fleet import Beside
from simulator.happened import Happened, Noise
from simulator.nameplate import Units
from simulator.twin import twins

STARTS, VISITS = "twins.parquet", "twin_visits.parquet"
_STARTS = pa.schema(
    [("unit", pa.string()), ("seq", pa.int64())]
    + [(name, pa.float32()) for name in ("twin_log", "twin_var", "sound_p", "true_p", "excess")]
)
_VISITS = pa.schema([("unit", pa.string()), ("at", pa.timestamp("us")), ("log_change", pa.float64())])


@contextmanager
def writing(folder: Path) -> Iterator[Beside]:
    """Give what `simulator.fleet.batches` is to call; the files of `simulator.twin.Twins` are whole at the end.

    Raises
    ------
    UnavailableError
        Where the folder or a file in it cannot be written.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with ExitStack() as stack:
            starts = stack.enter_context(pq.ParquetWriter(folder / STARTS, _STARTS))
            visits = stack.enter_context(pq.ParquetWriter(folder / VISITS, _VISITS))

            def beside(
                units: Units, wrong: Faults, happened: Happened, noise: Noise, first_day: datetime, count: int
            ) -> None:
                made = twins(units, wrong, happened, noise, first_day, count)
                starts.write_table(_table(made.starts, _STARTS))
                visits.write_table(_table(made.visits, _VISITS))

            yield beside
    except OSError as error:
        raise UnavailableError(
            f"{error.filename or folder}: cannot write ({error.strerror}); name another --out"
        ) from error


def _table(frame: pd.DataFrame, schema: pa.Schema) -> pa.Table:
    # A frame without rows has no types of its own that could be cast.
    return pa.Table.from_pandas(frame, schema=schema, preserve_index=False) if len(frame) else schema.empty_table()
