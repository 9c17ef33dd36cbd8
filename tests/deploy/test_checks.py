"""Every check and test in one run."""

from __future__ import annotations

import os
import signal
import subprocess
from pathlib import Path
from typing import Any

import pytest

from deploy import checks

SPREAD = ["-n", "2", "--dist", "loadfile"]


@pytest.fixture
def ran(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """The commands that were run: all succeed, and nothing is installed."""
    commands: list[list[str]] = []

    def run(command: list[str], **_options: Any) -> subprocess.CompletedProcess[str]:
        commands.append(command)
        return subprocess.CompletedProcess(command, 0, stdout="")

    monkeypatch.setattr(subprocess, "run", run)
    monkeypatch.setattr(checks, "static_checks", lambda _root: [])
    monkeypatch.setattr(checks, "running_as_root", lambda: False)
    return commands


def with_programs(folder: Path, monkeypatch: pytest.MonkeyPatch, *names: str) -> None:
    """Make a machine that has these programs and no others."""
    for name in names:
        (folder / name).touch(mode=0o755)
    real = checks.shutil.which
    monkeypatch.setattr(checks.shutil, "which", lambda name, **_: real(name, path=str(folder)))


def test_a_machine_with_every_program_runs_every_test(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    with_programs(tmp_path, monkeypatch, "chromium", "mosquitto")
    assert checks.run(["tests/deploy", "-x"], tmp_path) == 0
    assert ran[-1][1:] == ["-m", "pytest", "-q", *SPREAD, "tests/deploy", "-x"]
    assert capsys.readouterr().err == ""


def test_the_number_of_tests_run_at_a_time_can_be_chosen(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]]
) -> None:
    with_programs(tmp_path, monkeypatch, "chromium", "mosquitto")
    assert checks.run(["-n0"], tmp_path) == 0
    assert ran[-1][1:] == ["-m", "pytest", "-q", "-n0"]


def test_a_plain_user_is_told_which_tests_are_left_out_and_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    with_programs(tmp_path, monkeypatch, "apt-get")
    assert checks.run([], tmp_path) == 0
    assert ran == [[ran[0][0], "-m", "pytest", "-q", *SPREAD, "-m", "not browser and not mosquitto"]]
    assert capsys.readouterr().err.splitlines() == [
        (
            "halfsecond: chromium is not installed: the tests marked browser are left out "
            "(to have them: sudo apt-get install chromium)"
        ),
        (
            "halfsecond: mosquitto is not installed: the tests marked mosquitto are left out "
            "(to have them: sudo apt-get install mosquitto)"
        ),
    ]


def test_root_on_debian_gets_the_missing_packages_and_only_those(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]]
) -> None:
    with_programs(tmp_path, monkeypatch, "apt-get", "chromium")
    monkeypatch.setattr(checks, "running_as_root", lambda: True)
    checks.run([], tmp_path)
    assert [c[0] for c in ran[:2]] == ["apt-get", "apt-get"]
    assert ran[0][-1] == "update"
    assert ran[1][-4:] == ["install", "-y", "--no-install-recommends", "mosquitto"]


def test_packages_that_cannot_be_had_fail_the_run_and_say_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    with_programs(tmp_path, monkeypatch, "apt-get", "chromium")
    monkeypatch.setattr(checks, "running_as_root", lambda: True)

    def run(command: list[str], **_options: Any) -> subprocess.CompletedProcess[str]:
        ran.append(command)
        return subprocess.CompletedProcess(command, 100 if command[0] == "apt-get" else 0, stdout="E: no route\n")

    monkeypatch.setattr(subprocess, "run", run)
    assert checks.run([], tmp_path) == 1
    error = capsys.readouterr().err
    assert "E: no route\nhalfsecond: 'apt-get -qq -o DPkg::Lock::Timeout=120 update' failed" in error
    assert "failed so far: apt-get" in error
    assert ran[-1][-2:] == ["-m", "not mosquitto"]


def test_fast_leaves_out_what_takes_long_and_installs_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]]
) -> None:
    with_programs(tmp_path, monkeypatch, "apt-get", "mosquitto")
    monkeypatch.setattr(checks, "running_as_root", lambda: True)
    assert checks.run(["--fast"], tmp_path) == 0
    assert ran == [[ran[0][0], "-m", "pytest", "-q", *SPREAD, "-m", "not browser and not stack and not slow"]]


def test_a_failed_static_check_fails_the_run_though_every_test_passes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]]
) -> None:
    with_programs(tmp_path, monkeypatch, "chromium", "mosquitto")
    monkeypatch.setattr(checks, "static_checks", lambda _root: ["mypy"])
    assert checks.run([], tmp_path) == 1
    assert len(ran) == 1


def test_tests_that_were_ended_from_outside_fail_and_the_signal_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]], capsys: pytest.CaptureFixture[str]
) -> None:
    with_programs(tmp_path, monkeypatch, "chromium", "mosquitto")
    monkeypatch.setattr(subprocess, "run", lambda command, **_: subprocess.CompletedProcess(command, -15))
    assert checks.run([], tmp_path) == 1
    assert capsys.readouterr().err == "halfsecond: the tests were ended from outside by signal 15\n"
    assert ran == []


def test_ctrl_c_reaches_the_tests_though_the_run_was_started_in_the_background(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ran: list[list[str]]
) -> None:
    with_programs(tmp_path, monkeypatch, "chromium", "mosquitto")
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        checks.run([], tmp_path)
        assert signal.getsignal(signal.SIGINT) is signal.default_int_handler
    finally:
        signal.signal(signal.SIGINT, before)
    assert len(ran) == 1


@pytest.mark.skipif(os.name == "nt", reason="the programs of this test are shell scripts")
def test_each_static_check_is_run_and_what_it_found_is_shown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / ".venv" / "bin"
    folder.mkdir(parents=True)
    for name in ("ruff", "mypy", "lint-imports"):
        script = folder / name
        script.write_text(f"#!/bin/sh\necho '{name} found this'\n" + ("exit 1\n" if name == "mypy" else ""))
        script.chmod(0o755)
    assert checks.static_checks(tmp_path) == ["mypy"]
    out, err = capsys.readouterr()
    assert out == "mypy found this\n\n"
    assert err.splitlines() == [
        "halfsecond: ruff check: passed",
        "halfsecond: ruff format: passed",
        "halfsecond: mypy: FAILED",
        "halfsecond: import contract: passed",
    ]
