from __future__ import annotations

import psycopg
import pytest
from fastapi.testclient import TestClient
from psycopg.types.json import Jsonb

from tests.api import made

pytestmark = pytest.mark.stack


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
    assert "−20 to −15&nbsp;°C</th>" in text
    assert "−5 to 0&nbsp;°C</th>" in text
    assert text.count("°C</th>") == 2
    assert '<td class="n">1</td><td class="n">2</td>' in text
    with psycopg.connect(database) as conn:
        conn.execute("update account set settings = %s", (Jsonb({"units": "us"}),))
    # -18 °C is -0.4 °F, -16 °C is 3.2 °F, -2 °C is 28.4 °F.
    text = writable.get("/units/u-0003").text
    for band in ("−10 to 0&nbsp;°F", "0 to 10&nbsp;°F", "20 to 30&nbsp;°F"):
        assert f"{band}</th>" in text
