from __future__ import annotations

import logging

import pytest

from api.notices.delivery import NotTakenError
from api.notices.logs import plainly


def test_what_a_library_says_is_one_line_and_the_same_is_said_once(capsys: pytest.CaptureFixture[str]) -> None:
    log = logging.getLogger("procrastinate.worker")
    with plainly():
        for _ in range(3):
            log.error("the queue\nis away", exc_info=OSError("connection refused\nIs the server running?"))
        log.warning("something else")
        log.info("nothing of interest")
    assert capsys.readouterr().err.splitlines() == [
        "notices: the queue: connection refused",
        "notices: something else",
    ]


def test_a_message_that_a_service_did_not_take_is_noted_with_it_and_not_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    log = logging.getLogger("procrastinate.worker")
    with plainly():
        log.error("a task ended badly", exc_info=NotTakenError("error=500"))
    assert capsys.readouterr().err == ""


def test_afterwards_the_libraries_say_what_they_like_again() -> None:
    log = logging.getLogger("procrastinate")
    before = list(log.handlers), log.propagate
    with plainly():
        assert not log.propagate
    assert (list(log.handlers), log.propagate) == before
