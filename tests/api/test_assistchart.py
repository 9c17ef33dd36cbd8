from __future__ import annotations

from api.assistchart import picture, specification

ANSWER = {
    "curve": {
        "start_cap_uf": [40.0, 200.0, 400.0],
        "torque_nm": [3.0, 13.0, 12.0],
        "run_up_s": [None, 0.1, 0.1],
        "load_nm": 2.0,
    },
    "ratings": {"low_uf": 120.0, "high_uf": 260.0},
}


def test_the_picture_has_the_curve_the_band_and_no_point_where_the_motor_does_not_start() -> None:
    spec = specification(ANSWER, 300)
    data = list(spec["datasets"].values())
    assert {"low": 120.0, "high": 260.0} in [row for rows in data for row in rows]
    assert {"uf": 40.0, "torque": 3.0, "run_up": None} in [row for rows in data for row in rows]
    assert picture(ANSWER, 360).startswith("<svg")
    assert picture({**ANSWER, "ratings": None}, 360).startswith("<svg")
