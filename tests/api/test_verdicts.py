from __future__ import annotations

import random

from api.made import CALLS
from api.verdicts import ordered


def test_a_verdict_is_served_in_the_published_order_and_loses_nothing() -> None:
    body = CALLS[0][0]
    shuffled = {k: body[k] for k in random.Random(1).sample(list(body), len(body))} | {"later": 1}
    shuffled["run_up"] = dict(sorted(body["run_up"].items(), reverse=True)) | {"more": 2}
    told = ordered(shuffled)
    assert told == {**body, "later": 1, "run_up": {**body["run_up"], "more": 2}}
    assert list(told)[:4] == ["unit", "as_of", "standing", "run_up"]
    assert list(told["run_up"])[:3] == ["starts", "expected_s", "now_s"]
    assert list(told["causes"])[-1] == "none"
