"""Where the running service can take up again: the core's state as it stood at the ends of past days.

Late data of a day means that the days from it on are worked through again, from the newest state before it. The
newest stays in memory. Older ones of a large fleet are seldom asked for: they lie in a file without a name, in the
directory for temporary files, which is gone with the process however that ends.
"""

from __future__ import annotations

import pickle
import sys
import tempfile
from dataclasses import dataclass, field
from typing import IO

from analytics.state import State, copied

DAILY = 3
EVERY_D = 14
SPARSE = 6
LARGE = 1000
"""Units from which the older states of a fleet are put aside; those of a smaller one are not worth a file."""
APART = 1 << 36
"""Bytes from the place of one state in the file to that of the next; what is between takes up no room on the disk."""


def wanted(day: int, today: int) -> bool:
    """Return whether the state at the end of a day is worth keeping on a later day: the older, the fewer are."""
    age_d = today - day
    return age_d <= DAILY or (day % EVERY_D == 0 and age_d <= DAILY + SPARSE * EVERY_D)


@dataclass
class Checkpoints:
    """States by the last day that they have taken in whole: the newest, and older ones or their place in the file."""

    newest: State | None = None
    older: dict[int, State | int] = field(default_factory=dict)
    file: IO[bytes] | None = None

    def __del__(self) -> None:
        if self.file is not None:
            self.file.close()

    def keep(self, state: State, today: int) -> None:
        """Keep a copy of a state that stands at the end of a day before today, if it is wanted, and thin out others."""
        before = self.newest
        if not wanted(state.day, today) or (before is not None and before.day == state.day):
            return
        self.older = {day: one for day, one in self.older.items() if wanted(day, today)}
        if before is not None and wanted(before.day, today):
            self._put_aside(before)
        self.newest = copied(state)

    def before(self, day: int) -> State | None:
        """Return a copy of the newest state that knows nothing of a day, and forget those that do."""
        self.older = {d: one for d, one in self.older.items() if d < day}
        if self.newest is not None and self.newest.day >= day:
            self.newest = None
        if self.newest is None and self.older:
            last = max(self.older)
            self.newest = self._fetched(self.older.pop(last))
        return None if self.newest is None else copied(self.newest)

    def _put_aside(self, state: State) -> None:
        if len(state.gear) < LARGE:
            self.older[state.day] = state
            return
        if self.file is None:
            self.file = tempfile.TemporaryFile(prefix="halfsecond-")  # noqa: SIM115 - stays open
        place = next(k for k in range(len(self.older) + 1) if k not in self.older.values())
        try:
            self.file.seek(place * APART)
            pickle.dump(state, self.file, protocol=pickle.HIGHEST_PROTOCOL)
            self.file.flush()
        except OSError as error:
            # Late data is then worked through from an older state, or from the beginning.
            print(f"watch: a past state is not kept: {error}: make room in {tempfile.gettempdir()}", file=sys.stderr)
            return
        self.older[state.day] = place

    def _fetched(self, one: State | int) -> State:
        if isinstance(one, State):
            return one
        assert self.file is not None
        self.file.seek(one * APART)
        state = pickle.load(self.file)  # noqa: S301 - nobody else can write to it
        assert isinstance(state, State)
        return state
