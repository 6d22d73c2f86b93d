"""What may stand in the repository: a short top level, no addresses, no path of one machine, no data of others."""

from __future__ import annotations

import hashlib
import re
import subprocess
import tomllib
from functools import cache
from importlib.metadata import version
from pathlib import Path

import pytest

from tests.tools import needs

ROOT = Path(__file__).resolve().parents[1]
SHARED = ROOT.parent / "shared"
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "Makefile",
    "pyproject.toml",
    "requirements-build.lock",
    "requirements-test.lock",
    "requirements.lock",
    "capture",
    "demo_audio",
    "hardware",
    "server",
    "tests",
}
# Hosts that packages come from, as the first 16 hex digits of their SHA-256: this file may not hold them either.
REGISTRY_HOSTS = {
    "a4aa2ac280bb8d1a",
    "c899567ee9068517",
    "8b5bb5eb9d758455",
    "0dc11026ac75c015",
    "8743857e3ea00fd1",
    "e680c440a2e92079",
    "1ba4e37997a2e986",
    "2e97613f5a81eaa4",
    "70bb4000cd2fab03",
}
LOCKS = ("requirements-build.lock", "requirements.lock", "requirements-test.lock")


@cache
def project_files() -> tuple[Path, ...]:
    """Return the files that are in the repository or would be with the next commit."""
    git = needs.program("git", package="git")
    done = subprocess.run(
        [git, "ls-files", "--cached", "--others", "--exclude-standard", "-z"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        needs.leave_out(f"this folder is not a git checkout: {done.stderr.strip()}")
    return tuple(path for name in done.stdout.split("\0") if name and (path := ROOT / name).is_file())


@cache
def texts() -> dict[str, str]:
    """Return the text of each file that is text, by its path in the repository."""
    found = {}
    for path in project_files():
        try:
            found[str(path.relative_to(ROOT))] = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
    return found


def digest(word: str) -> str:
    """Return the first 16 hex digits of a word's SHA-256."""
    return hashlib.sha256(word.encode()).hexdigest()[:16]


def hosts_in(text: str) -> list[str]:
    """Return the lines that hold a registry's host."""
    words = {word for word in re.findall(r"[a-z0-9][a-z0-9.-]*[a-z0-9]", text.lower()) if "." in word}
    named = {word for word in words if digest(word) in REGISTRY_HOSTS}
    return [line for line in text.splitlines() if any(word in line.lower() for word in named)]


def test_top_level_holds_only_what_was_agreed() -> None:
    names = {path.relative_to(ROOT).parts[0] for path in project_files()}
    assert sorted(name for name in names if not name.startswith(".") and name not in TOP_LEVEL) == []


def test_no_file_names_the_host_of_a_package_registry() -> None:
    assert {name: lines for name, text in texts().items() if (lines := hosts_in(text))} == {}


def test_no_file_holds_a_path_of_this_machine() -> None:
    here = (f"{ROOT.parent}/", f"{Path.home()}/")
    found = [
        f"{name}:{number}"
        for name, text in texts().items()
        for number, line in enumerate(text.splitlines(), 1)
        if any(path in line for path in here)
    ]
    assert found == []


@pytest.mark.parametrize("name", LOCKS)
def test_lock_file_holds_versions_and_digests_and_no_address(name: str) -> None:
    lines = (ROOT / name).read_text(encoding="utf-8").splitlines()
    entries = "\n".join(line for line in lines if not line.startswith("#")).replace(" \\\n", " ").splitlines()
    assert entries
    allowed = re.compile(r"[a-z0-9-]+==[^ ]+( ; [^\\@]+?)?( +--hash=sha256:[0-9a-f]{64})+")
    assert [entry for entry in entries if not allowed.fullmatch(entry)] == []
    assert "://" not in "\n".join(lines)


def locked(name: str) -> dict[str, str]:
    """Return the version of each package in a lock file."""
    return dict(re.findall(r"^([a-z0-9-]+)==([^ ;]+)", (ROOT / name).read_text(encoding="utf-8"), flags=re.M))


def test_lock_files_agree_on_every_version() -> None:
    whole = locked("requirements-test.lock")
    for name in LOCKS:
        assert {package: found for package, found in locked(name).items() if whole.get(package, found) != found} == {}


def test_lock_files_hold_every_package_that_the_project_names() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    for lock, extras in (
        ("requirements.lock", ("capture", "server", "pi")),
        ("requirements-test.lock", ("capture", "server", "pi", "test")),
    ):
        lines = project["dependencies"] + [line for extra in extras for line in project["optional-dependencies"][extra]]
        named = {re.split(r"[^a-z0-9-]", line)[0] for line in lines}
        assert sorted(named - set(locked(lock))) == []


def test_every_package_folder_is_installed() -> None:
    setuptools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    folders = {
        ".".join(path.relative_to(ROOT).parent.parts)
        for package in ("capture", "hardware", "server")
        for path in (ROOT / package).rglob("__init__.py")
    }
    assert set(setuptools["packages"]) == folders


def test_every_data_file_of_a_package_is_installed() -> None:
    setuptools = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]
    installed = {
        path
        for package, patterns in setuptools["package-data"].items()
        for pattern in patterns
        for path in ROOT.joinpath(*package.split(".")).glob(pattern)
    }
    data = {
        path
        for path in project_files()
        if path.relative_to(ROOT).parts[0] in ("capture", "hardware", "server") and path.suffix != ".py"
    }
    assert sorted(str(path.relative_to(ROOT)) for path in data - installed) == []


def test_installed_version_is_the_project_s() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert version("benchcall") == project["version"]


def test_newest_change_note_is_for_the_project_s_version() -> None:
    """DEVELOPERS.md has a section "Changes", newest first, with a heading for each version."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    changes = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8").partition("\n## Changes\n")[2]
    heading = re.search(r"^### (\d+\.\d+\.\d+)\b", changes, flags=re.M)
    assert heading is not None, "DEVELOPERS.md has no '## Changes' section with a '### 0.1.0' heading"
    assert heading[1] == project["version"]


def test_no_recording_or_picture_of_the_shared_folder_is_in_the_repository() -> None:
    """Those are for measuring on; the demo has its own."""
    if not SHARED.is_dir():
        pytest.skip("../shared is not here: its recordings and pictures cannot be compared")
    media = {".wav", ".flac", ".ogg", ".mp3", ".png", ".jpg", ".jpeg", ".gif", ".webp", ".bmp", ".mp4"}
    theirs = {hashlib.sha256(path.read_bytes()).digest(): path for path in SHARED.rglob("*") if path.suffix in media}
    assert theirs
    copied = [
        f"{path.relative_to(ROOT)} is {theirs[found].relative_to(SHARED)}"
        for path in project_files()
        if (found := hashlib.sha256(path.read_bytes()).digest()) in theirs
    ]
    assert copied == []


def test_product_never_reads_the_shared_folder() -> None:
    reading = [
        name
        for name, text in texts().items()
        if name.split("/")[0] in ("capture", "hardware", "server", "demo_audio")
        and re.search(r"\.\./shared|/shared/", text)
    ]
    assert reading == []


def test_makefile_names_no_file_as_a_target() -> None:
    """A folder called `demo` or `test` must not stop `make demo`."""
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z][a-z-]*):", makefile, flags=re.M))
    phony = set(re.findall(r"^\.PHONY:(.*)$", makefile, flags=re.M)[0].split())
    assert targets == phony
