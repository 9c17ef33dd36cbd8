"""The compose stack: what its files say, and where there is an engine, the stack itself."""

from __future__ import annotations

import re
import subprocess
from pathlib import Path
from typing import Any

import pytest
import yaml

from deploy.embedded import broker as embedded_broker
from tests.compose import stack as stacks
from tests.compose.stack import FILE, LASTING, ROOT
from tests.compose.trial import trial

FOLDER = ROOT / "deploy" / "compose"


@pytest.fixture(scope="module")
def services() -> dict[str, dict[str, Any]]:
    return dict(yaml.safe_load(FILE.read_text(encoding="utf-8"))["services"])


def test_every_lasting_part_is_looked_after_and_ends_in_good_time(services: dict[str, dict[str, Any]]) -> None:
    assert set(services) == {*LASTING, "prepare", "migrate"}
    for name in LASTING:
        assert services[name]["healthcheck"]["test"], name
        assert services[name]["restart"] == "unless-stopped", name
        assert services[name]["networks"] == ["inside"], name
        assert services[name]["logging"]["options"]["max-size"], name


def test_every_image_has_a_tag_that_is_a_version(services: dict[str, dict[str, Any]]) -> None:
    first = re.search(r"^FROM (\S+)$", (ROOT / "deploy" / "Dockerfile").read_text(encoding="utf-8"), re.MULTILINE)
    assert first is not None
    for image in {first[1], *(service["image"] for service in services.values())}:
        assert re.fullmatch(r"[a-z/-]+:\d+\.\d+\S*", image), image


def test_nothing_secret_stands_in_the_file_or_in_the_environment(services: dict[str, dict[str, Any]]) -> None:
    for name, service in services.items():
        for variable in service.get("environment", {}):
            assert "PASSWORD" not in variable.removesuffix("PASSWORD_FILE"), (name, variable)
            assert "TOKEN" not in variable.removesuffix("TOKEN_FILE"), (name, variable)


def test_only_this_machine_reaches_what_is_not_encrypted(services: dict[str, dict[str, Any]]) -> None:
    ports = {port for service in services.values() for port in service.get("ports", [])}
    assert ports == {
        "${BROKER_AT:-127.0.0.1:1883}:1883",
        "${BROKER_TLS_AT:-8883}:8883",
        "${PAGES_AT:-127.0.0.1:8021}:8021",
    }


def test_its_broker_has_the_limits_of_the_embedded_one() -> None:
    own = _lines((FOLDER / "broker" / "mosquitto.conf").read_text(encoding="utf-8"))
    embedded = _lines(embedded_broker.MOSQUITTO.format(port=1, sign_in="", state="", max_payload=16_000_000, user=""))
    apart = {"listener", "persistence_location"}
    assert {line for line in embedded if line.split()[0] not in apart} <= own


def _lines(text: str) -> set[str]:
    return {line for line in text.splitlines() if line and not line.startswith("#")}


@pytest.mark.parametrize("script", sorted(FOLDER.rglob("*.sh")), ids=lambda path: str(path.relative_to(FOLDER)))
def test_every_script_is_read_by_a_plain_shell(script: Path) -> None:
    assert subprocess.run(["sh", "-n", script], capture_output=True, check=False).stderr == b""


@pytest.mark.slow
@pytest.mark.engine
@pytest.mark.timeout(1500)
@pytest.mark.skipif(stacks.lacking() is not None, reason=str(stacks.lacking()))
def test_a_fleet_publishes_into_the_stack_and_kills_of_its_parts_lose_nothing() -> None:
    seen = trial(units=8, days=12, speed=900.0)
    assert seen.published["starts"] > 500
    assert seen.rows_before["intake"] < seen.rows_before["database"]
    assert seen.stored == seen.published
    assert (seen.doubled, seen.quarantined) == (0, 0)
    assert sum(seen.standings.values()) == 8
    assert set(seen.codes.values()) == {"ended with 0"}
