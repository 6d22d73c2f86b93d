"""The documents name only what is there: every command, target, option and file that they show."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
DOCUMENTS = ("README.md", "DEVELOPERS.md")


def document(name: str) -> str:
    """Return a document's text."""
    return (ROOT / name).read_text(encoding="utf-8")


def shown_lines(text: str) -> list[str]:
    r"""Return what a document shows to be typed: lines of its code blocks, and code within its sentences.

    >>> shown_lines("Run `make demo`:\n```\n$ make test\n  benchcall run --engine \\\n    vosk  # note\n```\n")
    ['make test', 'benchcall run --engine vosk', 'make demo']
    """
    blocks = re.findall(r"^```[^\n]*\n(.*?)^```", text, flags=re.M | re.S)
    lines = [line for block in blocks for line in block.replace("\\\n", " ").splitlines()]
    prose = re.sub(r"^```[^\n]*\n.*?^```", "", text, flags=re.M | re.S)
    lines += [span.replace("\n", " ") for span in re.findall(r"`([^`]+)`", prose)]
    return [" ".join(re.sub(r"^\$ +|(^|\s)# .*", "", line.strip()).split()) for line in lines]


def uses(program: str) -> list[tuple[str, list[str]]]:
    """Return each use of a program that the documents show: where, and its arguments."""
    found = []
    for name in DOCUMENTS:
        for line in shown_lines(document(name)):
            words = re.sub(r"^(sudo |[A-Z_]+=\S+ )*(\.venv/bin/)?", "", line)
            if words.split(" ")[0] == program:
                found.append((f"{name}: {line}", shlex.split(words)[1:]))
    return found


@cache
def help_of(module: str, *command: str) -> str:
    """Return what the command says of itself."""
    code = f"import sys; from {module} import main; sys.argv[0] = 'x'; sys.exit(main({[*command, '--help']!r}))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    return done.stdout


@cache
def commands_of(module: str) -> frozenset[str]:
    """Return the commands listed by a program's help."""
    listed = re.findall(r"^    ([a-z][a-z-]+)(?:  |$)", help_of(module), flags=re.M)
    assert listed, f"{module} --help lists no commands"
    return frozenset(listed)


@cache
def makefile_targets() -> frozenset[str]:
    """Return the targets of the Makefile."""
    return frozenset(re.findall(r"^([a-z][a-z-]*):", (ROOT / "Makefile").read_text(encoding="utf-8"), flags=re.M))


def wrong_uses(program: str, module: str) -> list[str]:
    """Return each use of a program whose command or option the program does not know."""
    wrong = []
    for where, arguments in uses(program):
        command = [word for word in arguments if not word.startswith("-")][:1]
        if command and command[0] not in commands_of(module):
            wrong.append(f"{where}: no command '{command[0]}'")
            continue
        known = help_of(module) + (help_of(module, *command) if command else "")
        options = {word.split("=")[0] for word in arguments if re.match(r"--?[a-z]", word)}
        wrong += [f"{where}: no option '{option}'" for option in options if not re.search(rf"{option}\b", known)]
    return wrong


def test_every_benchcall_command_shown_exists() -> None:
    assert wrong_uses("benchcall", "capture.cli") == []


def test_every_server_command_shown_exists() -> None:
    assert wrong_uses("benchcall-server", "server.cli") == []


def test_every_make_target_shown_exists() -> None:
    asked = {where: [word for word in arguments if "=" not in word] for where, arguments in uses("make")}
    assert [where for where, words in asked.items() if not set(words) <= makefile_targets()] == []


def test_readme_shows_the_two_commands_that_start_everything() -> None:
    lines = shown_lines(document("README.md"))
    assert "make demo" in lines
    assert "make test" in lines


@pytest.mark.parametrize("module, program", [("capture.cli", "benchcall"), ("server.cli", "benchcall-server")])
def test_every_command_is_documented_and_helpful(module: str, program: str) -> None:
    """Each command stands in a document, and its help says more than its name."""
    shown = {arguments[0] for _, arguments in uses(program) if arguments}
    assert sorted(commands_of(module) - shown) == []
    for command in commands_of(module):
        assert len(help_of(module, command).split()) > 8


def test_every_make_target_is_documented() -> None:
    shown = {word for _, arguments in uses("make") for word in arguments}
    assert sorted(makefile_targets() - shown - {"help"}) == []


def test_every_path_shown_exists() -> None:
    """A path is anything in code font that starts with a top-level folder and a slash; a star stands for any name."""
    missing = []
    for name in DOCUMENTS:
        for word in set(re.findall(r"[`\s(]((?:capture|server|hardware|tests|demo_audio)/[\w./*-]*)", document(name))):
            path = word.rstrip(".")
            if not (ROOT / path).exists() and not list(ROOT.glob(path)):
                missing.append(f"{name}: {path}")
    assert missing == []


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_link_to_a_file_or_heading_leads_somewhere(name: str) -> None:
    text = document(name)
    dead = []
    for target in re.findall(r"\]\(([^)\s]+)\)", text):
        file, _, heading = target.partition("#")
        if re.match(r"[a-z]+:", target):
            continue
        path = ROOT / file if file else ROOT / name
        if not path.exists():
            dead.append(target)
        elif heading and heading not in headings(path.read_text(encoding="utf-8")):
            dead.append(target)
    assert dead == []


def headings(text: str) -> set[str]:
    """Return the anchors of a document's headings.

    >>> sorted(headings("# One reading, whole\\n## `make demo`"))
    ['make-demo', 'one-reading-whole']
    """
    found = re.findall(r"^#+ +(.+)$", text, flags=re.M)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).strip().replace(" ", "-") for heading in found}
