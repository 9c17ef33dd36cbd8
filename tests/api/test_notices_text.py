"""What a notice says: what became of which unit, how it starts, what to bring, and the cautions."""

from __future__ import annotations

from typing import Any

import pytest

from analytics.standing import SAY
from api.made import verdict
from api.notices import text

AS_OF = "2026-01-24T12:00:00Z"


def unit(name: str, standing: str, cause: str | None = "weak_run_capacitor", **more: Any) -> dict[str, Any]:
    body = verdict(name, standing, now_s=0.33, expected_s=0.21, locked=(3, 0.4), cause=(cause or "none", 0.81))
    return {
        "unit": name,
        "site": "Larkfell 12",
        "zone": "America/Denver",
        "start_gear": "none",
        "run_cap_uf": 40.0,
        "start_cap_uf": None,
        "standing": standing,
        "body": body,
        "cause": cause,
        "probability": 0.81,
        "locked_at": [],
        **more,
    }


def trigger(name: str, to: str, before: str = "steady") -> dict[str, Any]:
    return {"unit": name, "from": before, "to": to, "as_of": AS_OF, "at": AS_OF}


def test_a_message_says_in_plain_words_what_became_of_a_unit_and_what_to_bring() -> None:
    said = text.of_changes(
        "Larkfell 12",
        "weak_run_capacitor",
        [trigger("u-1", "service")],
        [unit("u-1", "service")],
        "https://heat.example.org",
    )
    assert said.title == "Larkfell 12: 1 for service"
    assert said.body.splitlines() == [
        "1 unit at Larkfell 12 became worse; likely cause: weak run capacitor.",
        f"To the customer: “{SAY['service']}”",
        "",
        "u-1: service since 24 Jan 05:00, before steady; weak run capacitor, very likely (81 %)",
        "  Starts in 0.33 s, 0.21 s expected (0.20 to 0.22); no locked start in the last 14 days",
        "  Bring: run capacitor 40 µF, voltage as marked",
        "  https://heat.example.org/units/u-1",
        "",
        text.SAFETY,
        "Call list: https://heat.example.org/",
    ]


def test_the_gravest_stands_first_in_the_head_and_the_rest_is_counted_or_named() -> None:
    triggers = [trigger(f"u-{n:02}", "down" if n < 3 else "service") for n in range(1, 31)]
    units = [unit(t["unit"], t["to"]) for t in triggers]
    said = text.of_changes(None, "none", triggers, units, None)
    assert said.title == "units without a site: 2 down, 28 for service"
    assert said.body.count("  Bring: ") == text.MOST
    assert f"Also: u-{text.MOST + 1:02}, " in said.body
    assert f"and {30 - text.MOST - text.MOST_NAMED} more." in said.body
    assert "http" not in said.body
    assert "likely cause" not in said.body


def test_a_silent_unit_asks_for_no_tools_and_brings_no_cautions_of_work() -> None:
    said = text.of_changes("Larkfell 12", "silent", [trigger("u-1", "silent")], [unit("u-1", "silent", None)], None)
    assert "nothing is heard any more" in said.body
    assert "Look at: Logger" in said.body
    assert "Bring" not in said.body
    assert text.SAFETY not in said.body


@pytest.mark.parametrize("standing", ["down", "service", "start_assist"])
def test_wherever_work_is_suggested_stand_the_cautions(standing: str) -> None:
    one = [unit("u-1", standing)]
    for said in (
        text.of_changes("s", "cold_soak", [trigger("u-1", standing)], one, None),
        text.of_several([("s", "cold_soak", [trigger("u-1", standing)])], one, None),
        text.of_digest({standing: 1}, one, None),
    ):
        assert "local codes" in said.body
        assert "licensed" in said.body
        assert "prove dead" in said.body
        assert "capacitors as charged" in said.body


def test_a_digest_is_numbered_and_counts_what_it_does_not_list() -> None:
    units = [unit(f"u-{n:02}", "service") for n in range(text.MOST_OF_DIGEST)]
    said = text.of_digest({"service": 90, "watch": 10}, units, None)
    assert said.title == "Not yet seen: 90 for service, 10 to watch"
    assert said.body.startswith(
        "100 units that nobody has marked as seen, the worst first.\n\n1. u-00 at Larkfell 12: "
    )
    assert f"And {100 - text.MOST_OF_DIGEST} more on the call list." in said.body


def test_a_message_for_many_sites_names_each_with_its_count_the_gravest_first() -> None:
    parts = [
        ("Ashfell 1", "weak_run_capacitor", [trigger("u-1", "service")]),
        ("Birkfell 2", "cold_soak", [trigger("u-2", "down"), trigger("u-3", "down")]),
    ]
    said = text.of_several(parts, [unit("u-2", "down", "cold_soak")], None)
    assert said.title == "2 down, 1 for service at 2 sites"
    lines = said.body.splitlines()
    assert lines[0] == "3 units at 2 sites became worse. In one message, since they are so many."
    assert lines[2:4] == [
        "Birkfell 2: 2 down; likely cause: cold soak",
        "Ashfell 1: 1 for service; likely cause: weak run capacitor",
    ]
    crowd = [(f"Site {n:03}", "cold_soak", [trigger(f"u-{n}", "down")]) for n in range(text.MOST_PARTS + 7)]
    assert "And 7 more." in text.of_several(crowd, [], None).body


def test_no_message_asks_a_resident_to_do_anything_at_a_unit() -> None:
    for standing in ("down", "service", "start_assist", "silent"):
        said = text.of_changes("s", "none", [trigger("u-1", standing)], [unit("u-1", standing, None)], None)
        spoken = said.body.split("“")[1].split("”")[0]
        assert not any(word in spoken.lower() for word in ("open", "reset", "breaker", "try again", "cover"))
