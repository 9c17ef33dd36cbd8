"""Running an installer quietly, and saying in one line what went wrong."""

from __future__ import annotations

import hashlib
import sys
import zipfile
from pathlib import Path

import pytest

from deploy.installing import InstallError, explain, watch

PIP = [sys.executable, "-m", "pip", "install", "--no-input", "--no-deps", "--require-hashes"]


@pytest.fixture
def plain_pip(monkeypatch: pytest.MonkeyPatch) -> pytest.MonkeyPatch:
    """Pip without this machine's own settings."""
    monkeypatch.setenv("PIP_CONFIG_FILE", "/dev/null")
    for name in ("PIP_FIND_LINKS", "PIP_EXTRA_INDEX_URL", "PIP_INDEX_URL", "PIP_CONSTRAINT"):
        monkeypatch.delenv(name, raising=False)
    return monkeypatch


def test_an_index_that_cannot_be_reached_is_one_line(
    tmp_path: Path, plain_pip: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plain_pip.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/simple")  # the discard port: nothing listens
    plain_pip.setenv("PIP_RETRIES", "1")
    lock = tmp_path / "lock"
    lock.write_text(f"nothing-of-this-name==1 --hash=sha256:{'0' * 64}\n")
    with pytest.raises(InstallError) as error:
        watch([*PIP, "--target", str(tmp_path / "out"), "-r", str(lock)], "packages", tmp_path, 1)
    assert str(error.value) == (
        "the package index cannot be reached: see to the network or to pip's settings, then type the same again"
    )
    assert "No matching distribution found for nothing-of-this-name" in capsys.readouterr().err


def wheel(folder: Path) -> Path:
    """Make the smallest package there can be."""
    made = folder / "tiny_thing-1-py3-none-any.whl"
    with zipfile.ZipFile(made, "w") as archive:
        archive.writestr("tiny_thing.py", "")
        archive.writestr("tiny_thing-1.dist-info/METADATA", "Metadata-Version: 2.1\nName: tiny-thing\nVersion: 1\n")
        archive.writestr(
            "tiny_thing-1.dist-info/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
        )
        archive.writestr("tiny_thing-1.dist-info/RECORD", "")
    return made


def test_a_package_other_than_the_locked_one_is_refused_in_one_line(
    tmp_path: Path, plain_pip: pytest.MonkeyPatch
) -> None:
    plain_pip.setenv("PIP_NO_INDEX", "1")
    digest = hashlib.sha256(wheel(tmp_path).read_bytes()).hexdigest()
    lock = tmp_path / "lock"
    command = [*PIP, "--find-links", str(tmp_path), "--target", str(tmp_path / "out"), "-r", str(lock)]
    lock.write_text(f"tiny-thing==1 --hash=sha256:{digest[::-1]}\n")
    with pytest.raises(InstallError, match=r"^a package is not the one that is locked: look above which"):
        watch(command, "packages", tmp_path, 1)
    assert not (tmp_path / "out").exists()
    lock.write_text(f"tiny-thing==1 --hash=sha256:{digest}\n")
    watch(command, "packages", tmp_path, 1)
    assert (tmp_path / "out" / "tiny_thing.py").exists()


@pytest.mark.parametrize(
    ("output", "line"),
    [
        ("ERROR: Could not install packages due to an OSError: [Errno 28] No space left on device", "the disk is full"),
        (
            "ERROR: No matching distribution found for numba==1",
            "the package index has no numba==1 for this Python",
        ),
        ("[Errno 13] Permission denied: '/srv/x/lib'", "/srv/x/lib cannot be written: give it to this user"),
        ("Temporary failure in name resolution", "the package index cannot be reached"),
        ("something quite else", "packages could not be installed: the installer's last lines stand above"),
    ],
)
def test_each_known_failure_has_its_remedy(output: str, line: str) -> None:
    assert explain(output, "packages").startswith(line)
    assert "\n" not in explain(output, "packages")


def test_a_failure_shows_the_installers_last_lines_and_no_more(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    script = "import sys; [print('line', n) for n in range(30)]; sys.exit(3)"
    with pytest.raises(InstallError):
        watch([sys.executable, "-c", script], "packages", tmp_path)
    shown = [line for line in capsys.readouterr().err.splitlines() if line.startswith("line")]
    assert shown == [f"line {n}" for n in range(25, 30)]


def test_a_quiet_success_shows_progress_on_standard_error_only(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    watch([sys.executable, "-c", "import time; print('Collecting x'); time.sleep(.3)"], "packages", tmp_path, 2)
    out, err = capsys.readouterr()
    assert out == ""
    assert err == "halfsecond: setting up: packages, 0 of 2, 0 s\n"
