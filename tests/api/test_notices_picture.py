from __future__ import annotations

from itertools import pairwise
from xml.etree import ElementTree as ET

from api.made import CALLS
from api.notices.picture import ROW, rules
from api.rule import Gauge

SVG = "{http://www.w3.org/2000/svg}"


def test_each_unit_has_its_name_its_rule_and_its_words_one_below_the_other() -> None:
    units = [(f"<{verdict['unit']}>", Gauge.of(verdict, [0] * locked)) for verdict, locked in CALLS[:3]]
    drawn = ET.fromstring(rules(units))  # noqa: S314  # our own
    texts = ["".join(t.itertext()) for t in drawn.findall(f"{SVG}text")]
    assert texts[::2] == ["<u-0007>: down", "<u-0031>: service", "<u-0012>: start assist"]
    assert texts[1] == "Starts in 0.62 s, 0.24 s expected (0.23 to 0.25); 13 locked starts in the last 14 days"
    tops = [float(rule.get("y", "nan")) for rule in drawn.findall(f"{SVG}svg")]
    assert [b - a for a, b in pairwise(tops)] == [ROW, ROW]
    assert float(drawn.get("height", "nan")) >= tops[-1] + ROW - 20
