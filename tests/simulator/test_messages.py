"""What loggers send and when: everything once at least, in bursts after a time off line, by the true clock."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from datetime import UTC, datetime
from itertools import pairwise

import msgspec
import numpy as np
import pandas as pd
import pytest

from ingest.wire import Start
from simulator import messages
from simulator.faults import DAY_S
from simulator.fleet import Fleet, simulate
from simulator.messages import LEAVE, RETURN, Message, Spell


@pytest.fixture(scope="module")
def fleet() -> Fleet:
    return simulate(8, 12, 2)


def tables(fleet: Fleet) -> dict[str, pd.DataFrame]:
    return {
        kind: (table := getattr(fleet, kind)).assign(device=table["unit"].str.replace("u-", "d-"))
        for kind in messages.KINDS
    }


def plain(count: int, device: str = "d-1", every_s: float = 100.0) -> list[Message]:
    made = [msgspec.json.encode({"seq": n + 1}) for n in range(count)]
    return [Message(every_s * n, device, "starts", 1, n + 1, payload) for n, payload in enumerate(made)]


def sent(found: list[Message]) -> Counter[tuple[str, str, int]]:
    """Return how often each record is in some messages."""
    told: Counter[tuple[str, str, int]] = Counter()
    for message in found:
        if message.payload:
            content = msgspec.json.decode(message.payload)
            rows = content if isinstance(content, list) else [content]
            assert message.count == len(rows)
            assert message.seq == max(row["seq"] for row in rows)
            told.update((message.device, message.kind, row["seq"]) for row in rows)
    return told


def everything(fleet: Fleet) -> set[tuple[str, str, int]]:
    return {
        (device, kind, seq)
        for kind, table in tables(fleet).items()
        for device, seq in zip(table["device"], table["seq"], strict=True)
    }


def test_what_falls_into_a_spell_off_line_comes_after_it_in_bursts_and_nothing_is_lost() -> None:
    mine, other = plain(100), plain(100, "d-2")
    found = list(messages.held([*mine, *other], {"d-1": [Spell(2000.0, 7000.0)]}, np.random.default_rng(1)))
    assert sent(found) == sent([*mine, *other])
    bursts = [m for m in found if m.count > 1]
    assert [m.count for m in sorted(bursts, key=lambda m: m.seq)] == [20, 20, 10]
    assert min(m.due_s for m in bursts) == 7000.0
    assert max(m.due_s for m in bursts) < 7010.0
    assert not any(2000 <= m.due_s < 7000 for m in found if m.device == "d-1")
    assert sum(m.device == "d-2" and m.count == 1 for m in found) == 100


def test_after_some_spells_the_newest_records_come_first_and_within_a_payload_they_rise() -> None:
    first = Counter()
    for seed in range(60):
        bursts = list(messages.held(plain(60), {"d-1": [Spell(-1.0, 9000.0)]}, np.random.default_rng(seed)))
        order = [m.seq for m in sorted(bursts, key=lambda m: m.due_s)]
        assert order in ([20, 40, 60], [60, 40, 20])
        first[order[0]] += 1
        rows = msgspec.json.decode(bursts[0].payload)
        assert [row["seq"] for row in rows] == sorted(row["seq"] for row in rows)
    assert 15 < first[60] < 45


def test_live_messages_bring_every_record_and_mark_where_connections_go_and_come_back(fleet: Fleet) -> None:
    day = fleet.starts["at"].min().floor("D")
    spell = {"from": f"{day + pd.Timedelta('5D'):%FT%TZ}", "to": f"{day + pd.Timedelta('6D'):%FT%TZ}"}
    offline = [[spell] if unit == "u-0002" else [] for unit in fleet.truth["unit"]]
    told = replace(fleet, truth=fleet.truth.assign(offline=pd.Series(offline, dtype=object)))
    found = messages.live(told, tables(told), 0.0, np.random.default_rng(3))
    assert sent(found).keys() == everything(fleet)
    assert [m.due_s for m in found] == sorted(m.due_s for m in found)
    assert [(m.device, m.kind) for m in found if m.kind in {LEAVE, RETURN}] == [("d-0002", LEAVE), ("d-0002", RETURN)]
    away = next(n for n, m in enumerate(found) if m.kind == LEAVE)
    back = next(n for n, m in enumerate(found) if m.kind == RETURN)
    assert not any(m.device == "d-0002" for m in found[away + 1 : back])
    assert found[away].due_s < found[back].due_s == pd.Timestamp(spell["to"]).timestamp()
    # A spell that was over before the live play is of no consequence to it.
    later = messages.live(told, tables(told), found[back].due_s + 1, np.random.default_rng(3))
    assert not any(m.kind in {LEAVE, RETURN} for m in later)


def test_in_deep_winter_some_records_come_twice_and_some_so_late_that_they_are_out_of_order() -> None:
    fleet = simulate(8, 12, 2, datetime(2025, 1, 5, tzinfo=UTC))
    fleet = replace(fleet, truth=fleet.truth.assign(offline=pd.Series([[]] * len(fleet.truth), dtype=object)))
    found = messages.live(fleet, tables(fleet), 0.0, np.random.default_rng(4))
    count = sent(found)
    assert np.mean([n == 2 for n in count.values()]) == pytest.approx(messages.TWICE, abs=0.006)
    late = 0
    for device in {m.device for m in found}:
        seqs = [m.seq for m in found if m.kind == "starts" and m.device == device]
        late += sum(after < before for before, after in pairwise(seqs))
    assert 0 < late < 2 * messages.LATE * len(found)


def test_history_brings_every_record_in_any_order_of_devices(fleet: Fleet) -> None:
    found = list(messages.history(tables(fleet), np.random.default_rng(5)))
    assert sent(found).keys() == everything(fleet)
    assert max(m.count for m in found) > 20
    assert len({m.device for m in found[:8]}) > 2
    assert list(messages.history({"starts": tables(fleet)["starts"].iloc[:0]}, np.random.default_rng(5))) == []


def test_a_start_sent_as_a_wave_is_one_on_the_wire(fleet: Fleet) -> None:
    found = messages.singles(fleet, {"starts": tables(fleet)["starts"].iloc[:400]}, np.random.default_rng(6))
    waves = [start for m in found if (start := msgspec.json.decode(m.payload, type=Start)).wave is not None]
    assert waves
    assert all(start.run_up_s is None for start in waves)


def test_the_true_moment_of_a_record_is_found_from_what_a_wrong_clock_told() -> None:
    wrong = Spell(1e9, 1e9 + 3 * DAY_S, offset_s=-60.0, drift=4 / DAY_S)
    for at_s in (1e9, 1e9 + DAY_S, 1e9 + 3 * DAY_S - 1):
        told_s = at_s + wrong.offset_s + wrong.drift * (at_s - wrong.from_s)
        assert messages.true_s(told_s, wrong) == pytest.approx(at_s, abs=1e-4)
    for at_s in (1e9 - 100.0, 1e9 + 3 * DAY_S + 100.0):
        assert messages.true_s(at_s, wrong) == at_s
        assert messages.true_s(at_s, None) == at_s


def test_wrong_clocks_and_spells_off_line_are_read_from_the_truth(fleet: Fleet) -> None:
    clock = {"from": "2024-10-03T00:00:00Z", "to": "2024-10-05T00:00:00Z", "offset_s": -9.0, "drift_s_per_day": 2.0}
    clocks = [clock if unit == "u-0004" else None for unit in fleet.truth["unit"]]
    told = replace(fleet, truth=fleet.truth.assign(clock=pd.Series(clocks, dtype=object)))
    found = messages.wrong_clocks(told)
    assert found.keys() == {"d-0004"}
    assert found["d-0004"].to_s - found["d-0004"].from_s == 2 * DAY_S
    assert found["d-0004"].drift == pytest.approx(2 / 86_400)
    assert messages.offline(fleet).keys() == {
        unit.replace("u-", "d-") for unit, some in zip(fleet.truth["unit"], fleet.truth["offline"], strict=True) if some
    }
