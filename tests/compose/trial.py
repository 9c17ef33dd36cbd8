"""Brings the compose stack up, publishes a simulated fleet into it, and kills its parts in turn: nothing may be lost.

    python -m tests.compose.trial [--units N] [--days D] [--speed X]

It needs a Docker engine, builds the image, and takes some minutes. What it sees goes to standard output line by line.
"""

from __future__ import annotations

import argparse
import sys
import threading
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec

from deploy.embedded.broker import BrokerAddress
from simulator import fleet as fleets
from simulator.files import records
from simulator.fleet import Fleet
from simulator.publish import publish
from tests.compose import stack as stacks
from tests.compose.stack import LASTING, Stack, eventually, run

KILLED = ("intake", "broker", "database", "watch", "notices")
AWAY_S = 4.0
KINDS = ("starts", "rests", "events")


@dataclass
class Seen:
    """What a trial came to: records published and stored by kind, the call list's standings, and exit codes."""

    published: dict[str, int] = field(default_factory=dict)
    stored: dict[str, int] = field(default_factory=dict)
    doubled: int = 0
    quarantined: int = 0
    rows_before: dict[str, int] = field(default_factory=dict)
    standings: dict[str, int] = field(default_factory=dict)
    codes: dict[str, str] = field(default_factory=dict)


def trial(units: int, days: int, speed: float) -> Seen:
    """Run the whole trial and return what was seen."""
    seen = Seen()
    today = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0)
    fleet = fleets.simulate(units, days, 5, today - timedelta(days=days))
    with stacks.running() as stack:
        say(f"{stack.name} is up; waiting until every part is well")
        wait_until_well(stack)
        passwords = register(stack, fleet)
        say(f"{len(passwords)} devices have their passwords; publishing")
        with publishing(stack, fleet, passwords, speed, today - timedelta(days=2)) as publisher:
            for service in KILLED:
                time.sleep(AWAY_S)
                seen.rows_before[service] = stored(stack)["starts"]
                kill(stack, service)
                assert publisher.is_alive(), f"publishing was over before {service} was killed: give more days"
        seen.published = {kind: len(getattr(fleet, kind)) for kind in KINDS}
        say(f"all is published: {seen.published}")
        eventually(lambda: stored(stack) == seen.published, 120)
        seen.stored = stored(stack)
        seen.doubled = int(stack.rows("select count(*) - count(distinct (unit_id, seq)) from start")[0][0])
        seen.quarantined = int(stack.rows("select count(*) from quarantine")[0][0])
        say(f"stored: {seen.stored}; twice: {seen.doubled}; in quarantine: {seen.quarantined}")
        eventually(lambda: len(calls(stack)) == units, 180)
        for item in calls(stack):
            seen.standings[item["standing"]] = seen.standings.get(item["standing"], 0) + 1
        say(f"the call list has: {seen.standings}")
        stack.compose("stop", "-t", "60")
        for service in ("intake", "watch", "notices", "pages", "devices", "broker", "database"):
            seen.codes[service] = stack.health(service)
        say(f"stopped by SIGTERM: {seen.codes}")
    return seen


def wait_until_well(stack: Stack) -> None:
    """Return once every lasting part is healthy."""
    for service in LASTING:
        assert eventually(lambda service=service: stack.health(service) == "healthy", 120), (  # type: ignore[misc]
            service,
            stack.health(service),
            run(["docker", "logs", "--tail", "20", stack.container(service)]),
        )


def register(stack: Stack, fleet: Fleet) -> dict[str, str]:
    """Load the units, as an operator would, and give each device a password; return the passwords."""
    lines = b"\n".join(msgspec.json.encode(unit) for unit in records(fleet.units.drop(columns=["device"])))
    stack.execute("pages", "sh", "-c", "cat >units.ndjson", given=lines)
    stack.execute("pages", "halfsecond", "load", "units", "units.ndjson")
    passwords = {}
    for unit, device in zip(fleet.units["unit"], fleet.units["device"], strict=True):
        told = stack.execute("pages", "halfsecond", "device", "add", device, "--unit", unit, "--json")
        passwords[device] = msgspec.json.decode(told)["password"]
    known = f"grep -c '^{device}:' /run/users/passwords"
    assert eventually(lambda: stack.execute("devices", "sh", "-c", f"{known} || true").strip() == "1", 30)
    time.sleep(5.0)  # the broker looks at its table every two seconds
    return passwords


class publishing:  # noqa: N801 - reads as a verb
    """Publish in a thread while the block runs, and wait for its end; its failure is ours."""

    def __init__(
        self, stack: Stack, fleet: Fleet, passwords: dict[str, str], speed: float, live_from: datetime
    ) -> None:
        self._failed: list[BaseException] = []
        address = BrokerAddress("127.0.0.1", stack.broker_port)

        def work() -> None:
            try:
                publish(fleet, address, passwords, speed=speed, since=live_from)
            except BaseException as error:  # noqa: BLE001 - raised again in the main thread
                self._failed.append(error)

        self._thread = threading.Thread(target=work, daemon=True)

    def __enter__(self) -> threading.Thread:
        self._thread.start()
        return self._thread

    def __exit__(self, kind: object, *_: object) -> None:
        if kind is None:
            self._thread.join(300)
            assert not self._thread.is_alive(), "publishing did not end"
        if self._failed:
            raise self._failed[0]


def kill(stack: Stack, service: str) -> None:
    """Kill a part, leave it away for a while, start it, and wait until everything is well again."""
    run(["docker", "kill", stack.container(service)])
    say(f"{service} is killed")
    time.sleep(AWAY_S)
    run(["docker", "start", stack.container(service)])
    wait_until_well(stack)
    say(f"{service} is back, and all parts are well")


def stored(stack: Stack) -> dict[str, int]:
    """Return the rows there are, by kind."""
    counts = stack.rows(
        "select (select count(*) from start), (select count(*) from rest), (select count(*) from event)"
    )
    return dict(zip(KINDS, map(int, counts[0]), strict=True))


def calls(stack: Stack) -> list[dict[str, Any]]:
    """Return the whole call list."""
    items: list[dict[str, Any]] = []
    path = "/v1/calls"
    while True:
        page = stack.get(path)
        items += page["items"]
        if page["next"] is None:
            return items
        path = f"/v1/calls?cursor={page['next']}"


def say(line: str) -> None:
    """Say what was seen, with the time."""
    print(f"{datetime.now(UTC):%H:%M:%S} {line}", flush=True)


def main() -> int:
    """Run the trial and say whether rows stored = published."""
    parser = argparse.ArgumentParser(prog="python -m tests.compose.trial", description=__doc__.splitlines()[0])
    parser.add_argument("--units", type=int, default=12)
    parser.add_argument("--days", type=int, default=20)
    parser.add_argument("--speed", type=float, default=900.0)
    arguments = parser.parse_args()
    lacks = stacks.lacking()
    if lacks is not None:
        print(f"trial: {lacks}", file=sys.stderr)
        return 2
    seen = trial(arguments.units, arguments.days, arguments.speed)
    fine = seen.stored == seen.published and seen.doubled == 0 and seen.quarantined == 0
    say("rows stored = published, no doubles" if fine else f"NOT the same: {seen}")
    return 0 if fine else 1


if __name__ == "__main__":
    raise SystemExit(main())
