from __future__ import annotations

import pytest
from fastapi.testclient import TestClient
from hypothesis import given
from hypothesis import strategies as st
from starlette.exceptions import HTTPException

from api import cursors


@given(st.floats(allow_nan=False, allow_infinity=False), st.integers(0, 2**63 - 1))
def test_a_cursor_gives_back_the_key_to_the_last_digit(key: float, unit_id: int) -> None:
    assert cursors.unpack(cursors.pack(key, unit_id), tuple[float, int]) == (key, unit_id)


@pytest.mark.parametrize("text", ["abc", "W10", "eyJhIjoxfQ", "____", "a"])
def test_what_is_no_cursor_is_refused_with_the_remedy(text: str) -> None:
    with pytest.raises(HTTPException, match="leave it out"):
        cursors.unpack(text, tuple[float, int])


def walked(client: TestClient, address: str, limit: int) -> list[dict[str, object]]:
    items: list[dict[str, object]] = []
    cursor = None
    while True:
        answer = client.get(address, params={"limit": limit, **({"cursor": cursor} if cursor else {})}).json()
        items += answer["items"]
        cursor = answer["next"]
        assert len(answer["items"]) <= limit
        if cursor is None:
            return items


@pytest.mark.parametrize(
    ("address", "key"),
    [
        ("/v1/calls", "unit"),
        ("/v1/calls?sort=drift", "unit"),
        ("/v1/calls?sort=outlook", "unit"),
        ("/v1/units", "unit"),
        ("/v1/units/u-0001/starts", "seq"),
        ("/v1/units/u-0001/verdicts", "as_of"),
        ("/v1/units/u-0001/visits", "at"),
    ],
)
@pytest.mark.stack
def test_small_pages_give_every_row_once_and_in_the_order_of_one_large_page(
    here: TestClient, address: str, key: str
) -> None:
    whole = here.get(address, params={"limit": 500}).json()
    assert whole["next"] is None
    assert len(whole["items"]) >= 1
    small = walked(here, address, 3)
    assert [row[key] for row in small] == [row[key] for row in whole["items"]]
    assert len({str(row[key]) for row in small}) == len(small)
