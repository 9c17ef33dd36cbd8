from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from deploy.embedded import folder
from deploy.embedded.process import Account
from ingest.errors import UnavailableError

HOLD = """
import sys
from pathlib import Path
from deploy.embedded.folder import claimed
with claimed(Path(sys.argv[1])):
    print("held", flush=True)
    sys.stdin.read()
"""


def test_a_folder_that_another_run_holds_gives_one_line_that_names_it(tmp_path: Path) -> None:
    holder = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(tmp_path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    with holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        with pytest.raises(UnavailableError) as refused, folder.claimed(tmp_path):
            pass
        assert str(refused.value) == (
            f"data folder {tmp_path} is in use by process {holder.pid}: stop it or name another folder with --data"
        )
        holder.kill()


def test_a_lock_left_by_a_killed_run_holds_nobody_up(tmp_path: Path) -> None:
    (tmp_path / "lock").write_text("1")
    with folder.claimed(tmp_path):
        assert (tmp_path / "lock").read_text() == str(os.getpid())


def test_a_folder_that_cannot_be_made_gives_one_line(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(UnavailableError) as refused:
        folder.make(tmp_path / "file" / "data")
    assert "--data" in str(refused.value)
    assert "\n" not in str(refused.value)


def test_a_folder_that_stands_keeps_its_mode(tmp_path: Path) -> None:
    kept = tmp_path / "kept"
    kept.mkdir(mode=0o700)
    folder.make(kept)
    assert kept.stat().st_mode & 0o777 == 0o700


def test_a_closed_folder_above_is_named_to_root(tmp_path: Path) -> None:
    closed = tmp_path / "closed"
    (closed / "inner").mkdir(parents=True)
    closed.chmod(0o700)
    stranger = Account("stranger", 54321, 54321)
    with pytest.raises(UnavailableError, match="stranger, who cannot enter"):
        folder.check_reachable(closed / "inner" / "x", stranger, "move it")
    folder.check_reachable(closed / "inner" / "x", None, "move it")
