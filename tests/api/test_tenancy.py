"""No endpoint shows one account what is another's: each is asked by each account for what only the other has."""

from __future__ import annotations

import base64
from collections.abc import Iterator

import pytest
from fastapi.routing import APIRoute
from fastapi.testclient import TestClient

from tests.api.conftest import HERE, THERE, TOKENS

pytestmark = pytest.mark.stack

PNG = base64.b64decode("iVBORw0KGgoAAAANSUhEUgAAAAEAAAABCAAAAAA6fptVAAAACklEQVR4nGP4DwABAQEAsTj2FAAAAABJRU5ErkJggg==")
"""One white pixel."""
FREE = {"/healthz", "/readyz", "/charts.js"}
STREAM = "/calls/events"
"""Goes on for ever: `test_arrivals` tries it with two accounts."""
BODIES: dict[tuple[str, str], dict[str, object]] = {
    ("POST", "/v1/units/{unit}/visits"): {"json": {"at": "2026-01-20T10:00:00Z", "work": ["other"]}},
    ("POST", "/units/{unit}/visits"): {"data": {"at": "2026-01-20T10:00", "work": "other"}},
    ("PATCH", "/v1/units/{unit}/call"): {"json": {"acknowledged": True}},
    ("POST", "/units/{unit}/call"): {"data": {"do": "seen"}},
    ("POST", "/v1/units/{unit}/photos"): {"content": PNG, "params": {"key": "key-of-a-picture"}},
    ("PATCH", "/v1/settings"): {"json": {}},
    ("POST", "/settings"): {
        "data": {
            "units": "si",
            "planned_visit_cost": "1",
            "emergency_visit_cost": "2.5",
            "kit_cost": "0.5",
            "cold_house_cost": "4",
            "false_alarms": "10",
        }
    },
    # A removed device may be removed again: that leaves the counts of the others' tests as they are.
    ("DELETE", "/v1/devices/{device}"): {"params": {}},
    ("POST", "/v1/devices"): {"json": {"device": "d-1-u-0001", "unit": "u-0001", "renew": True}},
    ("POST", "/devices"): {"data": {"do": "renew", "device": "d-1-u-0001", "unit": "u-0001", "sure": "yes"}},
    ("POST", "/v1/quarantine/again"): {"json": {"reason": "bad_wave"}},
    ("POST", "/quarantine"): {"data": {"reason": "bad_wave"}},
    ("PATCH", "/v1/people/{person}/notices"): {"json": {"digest_hour": 6}},
    ("POST", "/v1/people/{person}/notices/targets"): {"json": {"url": "jsons://example.org/another"}},
    ("POST", "/v1/people/{person}/notices/targets/{target}/trial"): {"json": None},
    ("DELETE", "/v1/people/{person}/notices/targets/{target}"): {"json": None},
    ("POST", "/people/{person}/notices"): {"data": {"quiet": "account", "standings": ["down"], "digest_hour": "7"}},
    ("POST", "/people/{person}/notices/targets"): {"data": {"url": "jsons://example.org/a-third"}},
    ("POST", "/people/{person}/notices/targets/{target}"): {"data": {"do": "trial"}},
    ("PATCH", "/v1/units/{unit}/notices"): {"json": {"muted": True}},
    ("POST", "/units/{unit}/notices"): {"data": {"do": "mute"}},
    ("POST", "/v1/people"): {"json": {"name": "Sam Example", "role": "dispatcher"}},
    ("POST", "/people"): {"data": {"name": "Alex Example", "role": "dispatcher"}},
}
MARKS = ("only-there", "only there", "Otherdale")


def routes(client: TestClient) -> Iterator[tuple[str, str]]:
    def walk(found: object) -> Iterator[APIRoute]:
        for route in getattr(found, "routes", []):
            if isinstance(route, APIRoute):
                yield route
            else:
                yield from walk(getattr(route, "original_router", None))

    for route in walk(client.app):
        for method in sorted(route.methods - {"HEAD"}):
            yield method, route.path_format


def test_every_endpoint_is_found(guarded: TestClient) -> None:
    paths = {path for _, path in routes(guarded)}
    assert {"/", "/v1/calls", "/v1/units/{unit}/starts", "/v1/forecasts/{site}", "/metrics", "/units/{unit}"} <= paths
    assert len(paths) >= 20


def test_no_endpoint_gives_one_account_what_is_anothers(guarded: TestClient) -> None:
    mine = {"Authorization": f"Bearer {TOKENS[HERE]}"}
    theirs = {"Authorization": f"Bearer {TOKENS[THERE]}"}
    reached = guarded.get("/v1/people/Person only-there/notices", headers=theirs).json()["targets"]
    target_of_theirs = str(reached[0]["target"])
    tried = 0
    for method, path in routes(guarded):
        if path in FREE or path in {"/patterns", STREAM}:
            continue
        address = (
            path.replace("{unit}", "u-only-there")
            .replace("{site}", "s-only-there")
            .replace("{photo}", "1")
            .replace("{person}", "Person only-there")
            .replace("{target}", target_of_theirs)
            .replace("{device}", "d-only-there")
            .replace("{item}", "2")
            .replace("{what}", "rest")
        )
        ask = {"follow_redirects": False, **BODIES.get((method, path.replace(":path", "")), {})}
        assert method == "GET" or len(ask) > 1, (method, path)
        answer = guarded.request(method, address, headers=mine, **ask)
        if "{" in path:
            assert answer.status_code == 404, (method, path)
            assert guarded.request(method, address, headers=theirs, **ask).status_code < 400, (method, path)
        else:
            assert answer.status_code in {200, 201, 303}, (method, path)
            assert not any(mark in answer.text for mark in MARKS), (method, path)
        tried += 1
    assert tried >= 20


def test_a_unit_of_the_same_name_in_both_accounts_is_each_ones_own(guarded: TestClient) -> None:
    for path in ("/v1/units/u-0001", "/v1/units/u-0001/starts", "/v1/units/u-0001/visits"):
        a = guarded.get(path, headers={"Authorization": f"Bearer {TOKENS[HERE]}"})
        b = guarded.get(path, headers={"Authorization": f"Bearer {TOKENS[THERE]}"})
        assert a.status_code == b.status_code == 200
    a, b = (
        guarded.get("/v1/units/u-0001", headers={"Authorization": f"Bearer {TOKENS[name]}"}).json()["device"]
        for name in (HERE, THERE)
    )
    assert a != b


def test_counts_are_of_the_own_account_alone(guarded: TestClient) -> None:
    for name, units in ((HERE, 16), (THERE, 6)):
        header = {"Authorization": f"Bearer {TOKENS[name]}"}
        assert sum(guarded.get("/v1/calls", headers=header).json()["standings"].values()) == units
        cohorts = guarded.get("/v1/cohorts", headers=header).json()["items"]
        assert [c["units"] for c in cohorts if c["by"] == "all"] == [units]
        assert guarded.get("/v1/intake", headers=header).json()["devices"] == units
        assert guarded.get("/v1/intake", headers=header).json()["last_hour"]["stored"] == (16 if name == HERE else 5)
