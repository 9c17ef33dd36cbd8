from __future__ import annotations

import re

import psycopg
import pytest
import segno
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

from api.visitpages import code

pytestmark = pytest.mark.stack


def test_the_work_that_the_cause_leads_to_comes_first_and_what_to_bring_is_one_tap(here: TestClient) -> None:
    text = here.get("/units/u-0001/visit").text
    assert re.findall(r'name="work" value="(\w+)"', text)[:2] == ["run_capacitor", "start_kit_fitted"]
    assert re.findall(r'name="work" value="(\w+)"', here.get("/units/u-0004/visit").text)[0] == "crankcase_heater"
    assert 'name="part" value="run capacitor 40 µF, voltage as marked"' in text
    assert "prove dead" in text


def test_each_page_has_a_key_of_its_own(here: TestClient) -> None:
    keys = {re.search(r'name="key" value="(\w{32})"', here.get("/units/u-0001/visit").text) for _ in range(2)}
    assert len({k.group(1) for k in keys if k}) == 2


def test_pressures_are_asked_for_in_the_accounts_unit(writable: TestClient) -> None:
    assert 'name="reading_suction_kpa"' in writable.get("/units/u-0001/visit").text
    with psycopg.connect(writable.app.state.settings.database) as conn:  # type: ignore[attr-defined]
        conn.execute("update account set settings = %s", (Jsonb({"units": "us"}),))
    text = writable.get("/units/u-0001/visit").text
    assert 'name="reading_suction_psig"' in text
    assert "kPa" not in text


def test_a_sticker_carries_the_address_of_its_unit(here: TestClient) -> None:
    text = here.get("/stickers?unit=u-0001").text
    assert text.count('class="sticker"') == 1
    assert str(code("http://localhost/units/u-0001")) in text
    assert len(re.findall('class="sticker"', here.get("/stickers?q=s-0001").text)) == 5


def test_the_twins_of_form_and_stickers_tell_what_is_asked_and_where_a_code_leads(here: TestClient) -> None:
    asked = here.get("/units/u-0001/visit.json").json()
    assert asked["work"][0] == "run_capacitor"
    assert len(asked["work"]) == 10
    suction = {"name": "suction_kpa", "word": "Suction pressure, gauge", "unit": "kPa", "per_kpa": 1.0}
    assert suction in asked["readings"]
    assert asked["parts"] == ["run capacitor 40 µF, voltage as marked"]
    assert here.get("/stickers.json?unit=u-0001").json()["items"] == [
        {"unit": "u-0001", "site": "s-0002", "address": "http://localhost/units/u-0001"}
    ]


@pytest.mark.published
def test_a_code_leaves_the_quiet_zone_and_is_of_the_smallest_version_that_holds_the_address() -> None:
    # ISO/IEC 18004: four modules of quiet zone on each side; version 3-M holds 42 bytes, 29 modules wide (Table 7).
    drawn = str(code("https://halfsecond.example/units/u-0001"))
    assert re.search(r'viewBox="0 0 (\d+) (\d+)"', drawn).groups() == ("37", "37")  # type: ignore[union-attr]
    assert segno.make("https://halfsecond.example/units/u-0001", micro=False, error="m").symbol_size(border=0) == (
        29,
        29,
    )
