"""Setting up: what `make demo` and `make test` do before anything of ours runs."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
from pathlib import Path

import pytest

from tests.tools import needs

ROOT = Path(__file__).resolve().parents[1]
TOOLS = ROOT / "tests" / "tools"


def shell_command() -> str:
    """Return the path of the shell that make would use."""
    shell = shutil.which("sh")
    assert shell is not None
    return shell


def test_shell_scripts_are_clean_for_shellcheck() -> None:
    shellcheck = needs.program("shellcheck", package="shellcheck")
    scripts = [ROOT / ".ci" / "run", *sorted(TOOLS.glob("*.sh"))]
    assert len(scripts) >= 3
    done = subprocess.run([shellcheck, *map(str, scripts)], capture_output=True, text=True, check=False)
    assert done.stdout == ""


def test_missing_system_packages_are_named_in_one_line_where_nobody_may_install_them(tmp_path: Path) -> None:
    """An ordinary user without sudo gets the names of exactly what is missing, and a non-zero exit code."""
    done = run_without_programs(tmp_path, CI="true")
    assert done.returncode == 1
    lines = done.stderr.strip().splitlines()
    assert len(lines) == 1
    assert "sudo apt-get install python3 python3-venv" in lines[0]
    assert "espeak-ng" in lines[0]
    assert "chromium" in lines[0]
    assert "libzbar0" not in lines[0], "a library that is there must not be asked for"


def test_heavy_test_packages_may_be_missing_outside_ci_and_that_is_said(tmp_path: Path) -> None:
    """A Pi may leave out the browser; what the bench itself needs is still asked for."""
    done = run_without_programs(tmp_path)
    assert done.returncode == 1
    assert "espeak-ng" in done.stderr
    assert "chromium" not in done.stderr


def run_without_programs(folder: Path, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the system packages script as an ordinary user on a machine that has a shell and little else."""
    for name, lines in {"id": "echo 1000", "apt-get": 'echo "apt-get was called" >&2; exit 9'}.items():
        (folder / name).write_text(f"#!/bin/sh\n{lines}\n", encoding="utf-8")
        (folder / name).chmod(0o755)
    return subprocess.run(
        [shell_command(), str(TOOLS / "system_packages.sh"), "test"],
        env={"PATH": str(folder), **environment},
        cwd=folder,
        capture_output=True,
        text=True,
        check=False,
    )


@pytest.mark.parametrize("group", ["demo", "test"])
def test_second_set_up_asks_neither_package_manager_nor_network_for_anything(group: str, tmp_path: Path) -> None:
    """With apt broken and every package index out of reach it still says nothing and is done."""
    if not is_set_up():
        needs.leave_out("this .venv was not made by `make test` with the present lock files; run that")
    apt = tmp_path / "apt-get"
    apt.write_text("#!/bin/sh\necho apt-get was called >&2\nexit 9\n", encoding="utf-8")
    apt.chmod(0o755)
    nowhere = {"PIP_INDEX_URL": "http://127.0.0.1:9/", "PIP_EXTRA_INDEX_URL": "", "PIP_RETRIES": "0"}
    path = f"{tmp_path}:{os.environ['PATH']}"
    done = subprocess.run(
        [shell_command(), str(TOOLS / "environment.sh"), group],
        env={**os.environ, **nowhere, "PATH": path, "PYTHON": str(ROOT / ".venv/bin/python")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def is_set_up() -> bool:
    """Say whether .venv was made from the files as they are now, so that the script has nothing to do."""
    stamp = ROOT / ".venv" / "benchcall-test.stamp"
    files = ("requirements-build.lock", "requirements.lock", "requirements-test.lock", "pyproject.toml")
    made_from = hashlib.sha256(b"".join((ROOT / name).read_bytes() for name in files)).hexdigest()
    return stamp.exists() and stamp.read_text(encoding="utf-8").strip() == f"{made_from} {ROOT}"


def test_python_that_is_not_there_is_named_in_one_line(tmp_path: Path) -> None:
    done = subprocess.run(
        [shell_command(), str(TOOLS / "environment.sh"), "demo"],
        env={**os.environ, "PYTHON": str(tmp_path / "python9")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 1
    assert done.stderr.count("\n") == 1
    assert "python9" in done.stderr
    assert "install Python 3.11 to 3.14" in done.stderr
