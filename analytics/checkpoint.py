"""Where the running service can take up again: copies of the core's state at the ends of past days.

Late data of a day means that the days from it on are worked through again, from the newest copy before it.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from analytics.state import State, copied

DAILY = 3
EVERY_D = 14
SPARSE = 6


@dataclass
class Checkpoints:
    """Copies of a state by the last day that it has taken in whole."""

    states: dict[int, State] = field(default_factory=dict)

    def keep(self, state: State) -> None:
        """Keep a copy of a state that stands at the end of a day; old ones are thinned out."""
        self.states[state.day] = copied(state)
        days = sorted(self.states, reverse=True)
        wanted = set(days[:DAILY])
        sparse = [day for day in days[DAILY:] if day % EVERY_D == 0][:SPARSE]
        self.states = {day: self.states[day] for day in sorted(wanted | set(sparse))}

    @property
    def newest(self) -> State | None:
        """The newest of the copies, which nobody changes; None if there is none."""
        return self.states[max(self.states)] if self.states else None

    def before(self, day: int) -> State | None:
        """Return a copy of the newest state that knows nothing of a day, and drop those that do."""
        self.states = {d: s for d, s in self.states.items() if d < day}
        return copied(self.states[max(self.states)]) if self.states else None
