"""Make the lock files anew, and check that every locked file exists for each machine we promise.

Run by `make lock`, which brings uv. A lock file names version and digests, never an address: where the packages come
from is the installing machine's own setting. Each lock serves Python 3.11 to 3.14 on Linux, x86_64 and aarch64.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from collections import Counter
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PYTHONS = ("3.11", "3.12", "3.13", "3.14")
PLATFORMS = ("x86_64-manylinux_2_36", "aarch64-manylinux_2_36")
# No wheel was ever published for this one; it is pure Python and built here, with the locked setuptools.
SOURCE_ONLY = ("srt",)
HEADER = "# Made by `make lock` from pyproject.toml; change it there. For Python 3.11 to 3.14 on Linux.\n"
LOCKS = {
    "requirements-build.lock": ("build",),
    "requirements.lock": ("capture", "server", "pi"),
    "requirements-test.lock": ("capture", "server", "pi", "test"),
}


class LockError(Exception):
    """A lock file could not be made."""


def uv(*arguments: str) -> str:
    """Run one `uv pip compile` and return what it printed."""
    command = ["uv", "pip", "compile", "--quiet", "--no-header", "--no-annotate", "--only-binary", ":all:"]
    for name in SOURCE_ONLY:
        command += ["--no-binary", name]
    done = subprocess.run([*command, *arguments], cwd=ROOT, capture_output=True, text=True, check=False)
    if done.returncode:
        raise LockError(done.stderr.strip())
    return done.stdout


def without_constant_marker(text: str) -> str:
    r"""Drop the marker that stands on nearly every line: on another machine pip must stop, not quietly install nothing.

    >>> without_constant_marker("a==1 ; linux \\\nb==1 ; linux \\\nc==2 ; linux and arm \\\n")
    'a==1 \\\nb==1 \\\nc==2 ; linux and arm \\\n'
    """
    markers = Counter(re.findall(r"^[a-z0-9][^ ;]*==[^ ;]+( ; .*?)(?= \\$)", text, flags=re.M))
    constant = markers.most_common(1)[0][0] if markers else ""
    return text.replace(f"{constant} \\\n", " \\\n")


def packages(lock: str) -> dict[str, str]:
    r"""Return the version of each package in a lock file's text.

    >>> packages("pint==0.25.3 \\\n    --hash=sha256:00\nlgpio==1.0 ; platform_machine == 'aarch64'")
    {'pint': '0.25.3', 'lgpio': '1.0'}
    """
    return dict(re.findall(r"^([a-z0-9][a-z0-9._-]*)==([^ ;\\]+)", lock, flags=re.M))


def make(name: str, extras: tuple[str, ...], scratch: Path, *, upgrade: bool) -> str:
    """Resolve the extras into one lock file; what an older lock pins stays unless `upgrade`."""
    output = scratch / name
    kept = ROOT / name
    if kept.exists() and not upgrade:
        output.write_text(kept.read_text())
    source = "pyproject.toml"
    chosen: list[str] = []
    for extra in extras:
        chosen += ["--extra", extra]
    if extras == ("build",):  # what [build-system] asks for, on its own: no extra, so no base dependency either
        wanted = tomllib.loads((ROOT / "pyproject.toml").read_text())["build-system"]["requires"]
        source_file = scratch / "build.in"
        # The installer itself is pinned too, so that every machine reads the other lock files with the same one.
        source_file.write_text("\n".join([*wanted, "pip"]) + "\n")
        source, chosen = str(source_file), []
    for earlier in LOCKS:
        if earlier == name:
            break
        chosen += ["--constraint", str(scratch / earlier)]  # the locks agree with one another
    uv(source, *chosen, "--universal", "--fork-strategy", "fewest", "--python-version", PYTHONS[0],
       "--generate-hashes", "--output-file", str(output))  # fmt: skip
    text = HEADER + without_constant_marker(output.read_text())
    if "://" in text:
        raise LockError(f"{name} holds an address; a lock file names versions and digests only")
    output.write_text(text)
    return text


def check(lock: Path) -> list[str]:
    """Return one line for each machine on which a locked package has no wheel to install."""
    missing = []
    for platform in PLATFORMS:
        for python in PYTHONS:
            try:
                uv(str(lock), "--no-deps", "--python-platform", platform, "--python-version", python)
            except LockError as error:
                missing.append(f"{lock.name}: Python {python} on {platform}: {error}")
    return missing


def main(arguments: list[str]) -> int:
    """Write the lock files, or with `--check` only look whether they install everywhere."""
    if arguments not in ([], ["--check"], ["--upgrade"]):
        print(f"lock.py: unknown arguments {arguments}; use --check, --upgrade or nothing", file=sys.stderr)
        return 2
    with tempfile.TemporaryDirectory() as folder:
        for name, extras in LOCKS.items():
            if arguments != ["--check"]:
                try:
                    text = make(name, extras, Path(folder), upgrade=arguments == ["--upgrade"])
                except LockError as error:
                    print(f"lock.py: {name} was not made: {error}", file=sys.stderr)
                    return 1
                (ROOT / name).write_text(text)
            print(f"{name}: {len(packages((ROOT / name).read_text()))} packages", flush=True)
    problems = check(ROOT / "requirements-build.lock") + check(ROOT / "requirements-test.lock")
    for problem in problems:
        print(problem, file=sys.stderr)
    if not problems:
        print(f"every package has a wheel for Python {PYTHONS[0]} to {PYTHONS[-1]} on {' and '.join(PLATFORMS)}")
    return 1 if problems else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
