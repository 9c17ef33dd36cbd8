from __future__ import annotations

from xml.etree import ElementTree as ET

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

from tests.api import made

pytestmark = pytest.mark.stack


def marks(told: dict[str, object], layer: int) -> list[dict[str, float]]:
    layers, datasets = told["layer"], told["datasets"]
    assert isinstance(layers, list)
    assert isinstance(datasets, dict)
    found: list[dict[str, float]] = datasets[layers[layer]["data"]["name"]]
    return found


@pytest.mark.parametrize("what", ["temperature", "rest"])
def test_every_start_stands_in_the_chart_of_each_condition_and_the_picture_is_svg(here: TestClient, what: str) -> None:
    told = here.get(f"/units/u-0001/by-{what}.json").json()
    starts = here.get("/v1/units/u-0001/starts", params={"limit": 500}).json()["items"]
    assert len(marks(told, 0)) == sum(s["outcome"] == "ran" for s in starts)
    assert len(marks(told, 2)) == 13
    column, scale = ("outdoor_c", 1.0) if what == "temperature" else ("off_s", 60.0)
    assert sorted(p["x"] for p in marks(told, 0)) == pytest.approx(
        sorted(s[column] / scale for s in starts if s["outcome"] == "ran"), abs=0.01
    )
    picture = here.get(f"/units/u-0001/by-{what}.svg?width=360")
    assert ET.fromstring(picture.text).tag.endswith("svg")  # noqa: S314  # our own picture
    assert "default-src 'none'" in picture.headers["content-security-policy"]


def test_what_is_no_condition_has_no_chart(here: TestClient) -> None:
    assert here.get("/units/u-0001/by-colour.svg").status_code == 422
    assert here.get("/units/no-such/by-rest.svg").status_code == 404


def test_locked_first_tries_are_counted_in_bands_of_the_accounts_degrees(writable: TestClient) -> None:
    database = writable.app.state.settings.database  # type: ignore[attr-defined]
    with psycopg.connect(database) as conn:
        conn.execute("delete from start")
        unit_id = conn.execute("select unit_id from unit where unit = 'u-0003'").fetchone()
        assert unit_id is not None
        for seq, (celsius, outcome, retry) in enumerate(
            [(-18.0, "locked", 0), (-18.0, "locked", 1), (-16.0, "ran", 0), (-2.0, "ran", None), (4.0, "dropped", 0)]
        ):
            conn.execute(
                "insert into start (account_id, unit_id, at, seq, outcome, outdoor_c, retry)"
                " values (1, %s, %s, %s, %s, %s, %s)",
                (unit_id[0], made.NOW, seq, outcome, celsius, retry),
            )
    text = writable.get("/units/u-0003").text
    # A retry after a locked start and a start that was cut short are no first tries.
    assert "−20 to −15 °C</th>" in text
    assert "−5 to 0 °C</th>" in text
    assert text.count("°C</th>") == 2
    assert '<td class="n">1</td><td class="n">2</td>' in text
    with psycopg.connect(database) as conn:
        conn.execute("update account set settings = %s", (Jsonb({"units": "us"}),))
    # -18 °C is -0.4 °F, -16 °C is 3.2 °F, -2 °C is 28.4 °F.
    text = writable.get("/units/u-0003").text
    for band in ("−10 to 0 °F", "0 to 10 °F", "20 to 30 °F"):
        assert f"{band}</th>" in text
