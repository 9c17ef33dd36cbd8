"""Records of files that come under a key which is taken: the first one stands, what says something else is told of."""

from __future__ import annotations

from collections.abc import Sequence

import msgspec
import numpy as np
import pandas as pd

from ingest.complaint import Rejected
from ingest.shapes import KEEPS_UNKNOWN, FileKind, columns

LINE = "line"
"""Name of a frame's index where that tells the lines of its file."""
_KEY = ("unit", "at", "seq")
_ENCODER = msgspec.json.Encoder(order="sorted")


def at_lines(frame: pd.DataFrame, lines: Sequence[int] | np.ndarray) -> pd.DataFrame:
    """Return a frame of a file's records with the lines that they stand on as its index.

    It stays as it is where that is unclear: where a line holds several records, or a record several lines.
    """
    return frame.set_axis(pd.Index(lines, dtype=np.int64, name=LINE)) if len(lines) == len(frame) else frame


class Keys:
    """Which starts, rests or events have been seen, by the key (unit, at, seq) under which they are stored.

    Attributes
    ----------
    others : how many came under a key that was taken by one with other content
    first : the first of these, in words: file, line where known, ``seq``, ``at`` and unit
    """

    def __init__(self, kind: FileKind) -> None:
        self.others = 0
        self.first = ""
        self._kind = kind
        self._keyed = kind in KEEPS_UNKNOWN
        self._seen = np.empty(0, np.uint64)
        self._content = np.empty(0, np.uint64)

    def fresh(self, frame: pd.DataFrame, path: str = "") -> np.ndarray:
        """Return for which rows the key has not been seen, and remember all; records of other kinds are all fresh.

        Parameters
        ----------
        frame
            Records as they are read; its index tells their lines where it has the name :data:`LINE`.
        path
            The file that they are of.
        """
        if not self._keyed or not len(frame):
            return np.ones(len(frame), bool)
        keys = pd.util.hash_pandas_object(frame[list(_KEY)], index=False).to_numpy(np.uint64)
        content = _content(self._kind, frame)
        _, places, inverse = np.unique(keys, return_index=True, return_inverse=True)
        fresh, stands = places[inverse] == np.arange(len(keys)), content[places[inverse]]
        if len(self._seen):
            held = np.minimum(np.searchsorted(self._seen, keys), len(self._seen) - 1)
            before = self._seen[held] == keys
            fresh, stands = fresh & ~before, np.where(before, self._content[held], stands)
        self._tell(frame, path, np.flatnonzero(~fresh & (content != stands)))
        new = np.flatnonzero(fresh)[np.argsort(keys[fresh])]
        where = np.searchsorted(self._seen, keys[new])
        self._seen = np.insert(self._seen, where, keys[new])
        self._content = np.insert(self._content, where, content[new])
        return np.asarray(fresh)

    def _tell(self, frame: pd.DataFrame, path: str, others: np.ndarray) -> None:
        if len(others) and not self.others:
            row = frame.iloc[int(others[0])]
            line = int(str(row.name)) if frame.index.name == LINE else 0
            at = row["at"].isoformat().replace("+00:00", "Z")
            self.first = str(Rejected(path, line, "seq", f"{row['seq']} at {at} of unit {row['unit']}"))
        self.others += len(others)


def taken(others: int, of: str, first: str = "") -> str:
    """Return the one line that says how many records, of which, came under a key that others had, and the first."""
    return (
        f"{others:,} of the {of} {'says' if others == 1 else 'say'} something else than what stands under their unit, "
        f"at and seq: what came first stands, so mend it at its source{f'; the first is {first}' if first else ''}"
    )


def _content(kind: FileKind, frame: pd.DataFrame) -> np.ndarray:
    """Return a hash of what each record says beside its key, numbers in the precision of the store."""
    told = {}
    for name, column in columns(kind).items():
        if name in _KEY:
            continue
        if column.kind in {"number", "whole"}:
            told[name] = frame[name].to_numpy(np.float32) + np.float32(0)  # no negative zero
        elif column.kind == "nested":
            told[name] = np.array([_ENCODER.encode(value).decode() for value in frame[name]], object)
        else:
            told[name] = frame[name].to_numpy(object)
    extra = frame["extra"] if "extra" in frame else [None] * len(frame)
    sorted_extra = [None if e is None else _ENCODER.encode(msgspec.json.decode(e)).decode() for e in extra]
    told["extra"] = np.array(sorted_extra, object)
    return pd.util.hash_pandas_object(pd.DataFrame(told), index=False).to_numpy(np.uint64)
