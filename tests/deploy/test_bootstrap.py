"""From a fresh clone to a working ``.venv``."""

from __future__ import annotations

import ast
import contextlib
import ensurepip  # noqa: F401 - loaded here, since a plain user may not be able to read where this Python stands
import os
import shutil
import subprocess
import sys
import venv  # noqa: F401 - likewise
from collections.abc import Callable, Iterator
from pathlib import Path
from threading import Thread

import pytest

from deploy import bootstrap
from deploy.bootstrap import is_current, main, setup
from deploy.installing import InstallError, program

PROJECT = Path(__file__).parents[2]
NOBODY = 65534

Calls = list[list[str]]


@pytest.fixture
def clone(data_folder: Path) -> Path:
    """A folder with what setup reads, which other users may enter and not write to."""
    root = data_folder / "clone"
    (root / "tests").mkdir(parents=True)
    for name in ("pyproject.toml", "requirements.lock", "tests/requirements.lock"):
        shutil.copy(PROJECT / name, root / name)
    return root


@pytest.fixture
def calls(clone: Path, monkeypatch: pytest.MonkeyPatch) -> Calls:
    """The installer's calls, which do nothing but make a Python where one would be."""
    made: Calls = []

    def watch(command: list[str], _what: str, _folder: Path, _total: int = 0) -> None:
        made.append(command)
        if "venv" in command:
            python = program(clone, "python")
            python.parent.mkdir(parents=True)
            python.symlink_to(sys.executable)

    monkeypatch.setattr(bootstrap, "watch", watch)
    return made


def run_module(script: str, *words: str) -> subprocess.CompletedProcess[str]:
    """Run ``python3 -m deploy`` in a process of its own, after a line of preparation."""
    code = f"import sys; sys.argv = ['deploy', *{list(words)!r}]; {script}; import runpy; "
    code += "runpy.run_module('deploy', run_name='__main__', alter_sys=True)"
    return subprocess.run([sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=False)


def test_setup_makes_the_environment_installs_the_lock_by_its_hashes_and_then_the_project(
    clone: Path, calls: Calls
) -> None:
    setup(clone)
    empty, packages, project = calls
    assert empty[-2:] == ["venv", str(clone / ".venv")]
    assert {"--require-hashes", "--no-deps", str(clone / "requirements.lock")} <= set(packages)
    assert project[-3:] == ["--no-build-isolation", "-e", str(clone)]
    assert packages[0] == str(program(clone, "python"))
    assert is_current(clone, "main")
    assert not is_current(clone, "test")


@pytest.mark.usefixtures("calls")
def test_what_was_compiled_is_forgotten_once_a_module_that_it_may_draw_on_is_newer(clone: Path) -> None:
    kept = clone / "analytics" / "__pycache__" / "channels.take-12.py311.nbi"
    kept.parent.mkdir(parents=True)
    sums, words = clone / "analytics" / "sums.py", clone / "analytics" / "words.py"
    sums.write_text("import numba\n", encoding="utf-8")
    words.write_text("", encoding="utf-8")
    kept.touch()
    for file, at in ((kept, 2000.0), (sums, 1000.0), (words, 3000.0)):
        os.utime(file, (at, at))
    setup(clone)
    assert kept.exists()
    os.utime(sums, (3000.0, 3000.0))
    setup(clone)
    assert not kept.exists()


def test_the_second_setup_installs_nothing(clone: Path, calls: Calls) -> None:
    setup(clone, test=True)
    calls.clear()
    setup(clone, test=True)
    setup(clone)
    assert calls == []


def test_the_tests_packages_come_on_top_of_an_environment_that_stands(clone: Path, calls: Calls) -> None:
    setup(clone)
    calls.clear()
    setup(clone, test=True)
    assert [str(clone / "tests" / "requirements.lock") in call for call in calls] == [True, False]


def test_a_changed_lock_is_installed_into_the_environment_that_stands(clone: Path, calls: Calls) -> None:
    setup(clone)
    calls.clear()
    with (clone / "requirements.lock").open("a") as lock:
        lock.write("# changed\n")
    setup(clone)
    assert not any("venv" in call for call in calls)
    assert len(calls) == 2


def test_an_installation_that_was_broken_off_is_made_anew(
    clone: Path, calls: Calls, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole: Callable[..., None] = bootstrap.watch

    def broken_off(command: list[str], what: str, folder: Path, total: int = 0) -> None:
        whole(command, what, folder, total)
        if "--require-hashes" in command:
            (clone / ".venv" / "half a package").touch()
            raise KeyboardInterrupt

    monkeypatch.setattr(bootstrap, "watch", broken_off)
    with pytest.raises(KeyboardInterrupt):
        setup(clone)
    monkeypatch.setattr(bootstrap, "watch", whole)
    calls.clear()
    setup(clone)
    assert len(calls) == 3
    assert not (clone / ".venv" / "half a package").exists()


def test_a_clone_that_was_moved_is_set_up_anew_since_scripts_name_their_python_by_path(
    clone: Path, calls: Calls
) -> None:
    setup(clone)
    moved = clone.rename(clone.with_name("elsewhere"))
    assert not is_current(moved, "main")
    (moved / ".venv" / "old").touch()
    with contextlib.suppress(InstallError):
        setup(moved)
    assert calls[-3][-1] == str(moved / ".venv")
    assert not (moved / ".venv" / "old").exists()


def test_an_environment_whose_python_is_gone_is_made_anew(clone: Path, calls: Calls) -> None:
    setup(clone)
    program(clone, "python").unlink()
    calls.clear()
    setup(clone)
    assert len(calls) == 3


def test_an_environment_that_someone_else_made_is_used_and_not_thrown_away(clone: Path, calls: Calls) -> None:
    python = program(clone, "python")
    python.parent.mkdir(parents=True)
    python.symlink_to(sys.executable)
    (clone / ".venv" / "theirs").touch()
    setup(clone)
    assert len(calls) == 2
    assert (clone / ".venv" / "theirs").exists()


def test_a_second_setup_in_the_same_clone_waits_for_the_first(
    clone: Path, calls: Calls, capsys: pytest.CaptureFixture[str]
) -> None:
    with bootstrap.one_at_a_time(clone):
        second = Thread(target=setup, args=(clone,))
        second.start()
        second.join(0.5)
        assert second.is_alive()
        assert calls == []
    second.join(10)
    assert is_current(clone, "main")
    assert capsys.readouterr().err == "halfsecond: another setup is at work in this folder: waiting for it\n"


def test_an_environment_is_really_made(clone: Path) -> None:
    bootstrap.make_venv(clone)
    python = program(clone, "python")
    done = subprocess.run([python, "-m", "pip", "--version"], capture_output=True, text=True, check=True)
    assert str(clone / ".venv") in done.stdout


def test_an_old_python_is_told_so_in_one_line() -> None:
    done = run_module("sys.version_info = (3, 8, 18, 'final', 0)", "demo")
    assert done.returncode == 2
    assert done.stderr.startswith("halfsecond: needs Python 3.11 or newer, this is 3.8: ")
    assert len(done.stderr.splitlines()) == 1


def test_the_file_that_tells_an_old_python_so_can_be_read_by_one() -> None:
    text = (PROJECT / "deploy" / "__main__.py").read_text(encoding="utf-8")
    assert ast.parse(text, feature_version=(3, 4)).body
    package = (PROJECT / "deploy" / "__init__.py").read_text(encoding="utf-8")
    assert len(ast.parse(package, feature_version=(3, 4)).body) == 1


@pytest.mark.parametrize("module", ["venv", "ensurepip"])
def test_a_python_without_its_venv_module_is_one_line_that_names_the_debian_package(
    clone: Path, module: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    assert main(["setup"], clone) == 2
    assert capsys.readouterr().err == (
        f"halfsecond: this Python has no {module} module: install it (on Debian: apt install python3-venv), "
        "then type the same again\n"
    )
    assert not (clone / ".venv").exists()


@contextlib.contextmanager
def plain_user(folder: Path) -> Iterator[None]:
    """Be a user who may read a folder and not write to it."""
    if os.geteuid() != 0:
        folder.chmod(0o555)
        try:
            yield
        finally:
            folder.chmod(0o755)
        return
    os.seteuid(NOBODY)
    try:
        yield
    finally:
        os.seteuid(0)


def test_a_folder_that_cannot_be_written_is_one_line(clone: Path, capsys: pytest.CaptureFixture[str]) -> None:
    with plain_user(clone):
        code = main(["setup"], clone)
    assert code == 2
    assert capsys.readouterr().err == (
        f"halfsecond: {clone / '.venv'} cannot be written (Permission denied): "
        "clone the project into a folder of your own\n"
    )


def test_a_lock_that_is_missing_is_one_line(clone: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (clone / "requirements.lock").unlink()
    assert main(["setup"], clone) == 2
    assert capsys.readouterr().err == (
        f"halfsecond: {clone / 'requirements.lock'} is missing: clone the repository again\n"
    )


@pytest.mark.parametrize(
    ("words", "line"),
    [
        ([], "no such command: none given; there are setup, demo and test, see --help"),
        (["serve"], "no such command: serve; there are setup, demo and test, see --help"),
        (["setup", "--fast"], "setup takes no options, and got --fast"),
    ],
)
def test_bad_use_is_one_line(
    clone: Path, calls: Calls, words: list[str], line: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words, clone) == 2
    assert capsys.readouterr().err == f"halfsecond: {line}\n"
    assert calls == []


@pytest.mark.parametrize("words", [["--help"], ["setup", "--help"], ["test", "-h"]])
def test_help_has_an_example_and_installs_nothing(
    clone: Path, calls: Calls, words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(words, clone) == 0
    assert "example:\n  python3 -m deploy demo" in capsys.readouterr().out
    assert calls == []


def test_demo_hands_over_to_the_installed_program_with_its_options(
    clone: Path, calls: Calls, monkeypatch: pytest.MonkeyPatch
) -> None:
    class HandedOver(Exception):  # noqa: N818 - not an error
        pass

    def execv(path: str, words: list[str]) -> None:
        raise HandedOver(path, words)

    monkeypatch.setattr(os, "execv", execv)
    monkeypatch.setattr(bootstrap, "closed_folder", lambda _root: None)
    with pytest.raises(HandedOver) as handed:
        main(["demo", "--units", "40"], clone)
    name = str(program(clone, "halfsecond"))
    assert handed.value.args == (name, [name, "demo", "--units", "40"])
    assert len(calls) == 3


def test_root_under_a_closed_folder_is_told_before_anything_is_installed(
    clone: Path, calls: Calls, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("HALFSECOND_DATABASE", "HALFSECOND_TEST_DATABASE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr(bootstrap, "running_as_root", lambda: True)
    closed = clone.parent
    closed.chmod(0o700)
    for command in ("demo", "test"):
        assert main([command], clone) == 2
        assert capsys.readouterr().err == (
            f"halfsecond: {closed} is closed to other users, and the embedded database never runs as root: "
            "clone the project elsewhere (for example under /opt), or work as a plain user\n"
        )
    assert calls == []
    assert main(["setup"], clone) == 0
    assert capsys.readouterr().err.startswith(f"halfsecond: note: {closed} is closed to other users")


def test_a_plain_user_may_keep_the_home_closed(clone: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bootstrap, "running_as_root", lambda: False)
    clone.chmod(0o700)
    assert bootstrap.closed_folder(clone) is None
