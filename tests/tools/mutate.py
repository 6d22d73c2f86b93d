"""Change the verdict code one small thing at a time and see whether its tests notice. Not part of CI: it takes minutes.

    nice python tests/tools/mutate.py                 all modules of `TESTS`
    nice python tests/tools/mutate.py limits.py       one of them
    nice python tests/tools/mutate.py --list decision.py

Each mutant lives in a process of its own, forked from one that has everything heavy loaded; the source files are
never written. Killed: a test failed, or the time limit was reached. Whatever is left is printed with its line.
Left alone are docstrings, `__all__`, and the wording of errors (texts inside `raise` and f-strings).
"""

from __future__ import annotations

import argparse
import ast
import copy
import importlib.abc
import importlib.machinery
import importlib.util
import os
import signal
import sys
import time
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType

ROOT = Path(__file__).resolve().parents[2]
DOMAIN = ROOT / "capture" / "domain"
LIMIT_S = 60

# Module -> the tests that are about it; the first is tried first.
TESTS: dict[str, tuple[str, ...]] = {
    "decision.py": ("test_decision.py", "test_verdicts.py"),
    "limits.py": ("test_limits.py", "test_verdicts.py", "test_shipped_plans.py"),
    "intervals.py": ("test_intervals.py", "test_verdicts.py"),
    "clearance.py": ("test_derived.py",),
    "derived.py": ("test_derived.py", "test_verdicts.py", "test_shipped_plans.py"),
    "verdicts.py": ("test_verdicts.py", "test_record.py", "test_shipped_plans.py", "test_outline.py"),
}
# Loaded once for all mutants: what takes long, and modules of ours that import none of those changed here.
HEAVY = ["pytest", "jsonschema", "scipy.stats", "uncertainties", "capture.domain.uncertainty", "capture.domain.thermal"]
HEAVY += ["capture.domain.iso286", "capture.domain.statistics", "capture.domain.form", "capture.domain.events"]
COMPARED: dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
COMPUTED: dict[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult,
    ast.Pow: ast.Mult,
    ast.BitOr: ast.BitAnd,
}

OPPOSITE = {"min": "max", "max": "min", "all": "any", "any": "all"}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: `line` of the source, `what` was changed, and the whole module with it."""

    line: int
    what: str
    tree: ast.Module


def mutants(text: str) -> Iterator[Mutant]:
    """Yield every mutant of a module's text.

    >>> [one.what for one in mutants("c = a < b")]
    ['a < b -> a <= b', 'a < b -> a >= b']
    """
    tree = ast.parse(text)
    left_alone = _left_alone(tree)
    nodes = [node for node in ast.walk(tree) if id(node) not in left_alone]
    places = {id(node): index for index, node in enumerate(ast.walk(tree))}
    for node in nodes:
        for changed in _changes(node):
            before, after = ast.unparse(node), ast.unparse(changed)
            whole = copy.deepcopy(tree)
            target = list(ast.walk(whole))[places[id(node)]]
            _become(target, changed)
            ast.fix_missing_locations(whole)
            yield Mutant(getattr(node, "lineno", 0), f"{before[:70]} -> {after[:70]}", whole)


def _left_alone(tree: ast.Module) -> set[int]:
    """Return the nodes that are words for people, types, or lists of names."""
    found: set[int] = set()

    def leave(node: ast.AST) -> None:
        found.update(id(each) for each in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, ast.Raise | ast.JoinedStr):
            found.update(id(each) for each in ast.walk(node) if isinstance(each, ast.Constant | ast.JoinedStr))
        elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
            leave(node)
        elif isinstance(node, ast.AnnAssign):
            leave(node.annotation)
        elif isinstance(node, ast.FunctionDef):
            for argument in (*node.args.args, *node.args.kwonlyargs):
                if argument.annotation:
                    leave(argument.annotation)
            for each in (node.returns, *node.decorator_list):
                if each is not None:
                    leave(each)
        elif isinstance(node, ast.ClassDef):
            for each in node.decorator_list:
                leave(each)
        elif isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
            leave(node)
        elif isinstance(node, ast.Assert):
            leave(node)  # for mypy: the condition holds wherever it stands
    return found


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what may stand in place of a node."""
    if isinstance(node, ast.Compare):
        for at, relation in enumerate(node.ops):
            for other in COMPARED[type(relation)]:
                changed = copy.deepcopy(node)
                changed.ops[at] = other()
                yield changed
    elif isinstance(node, ast.BinOp) and type(node.op) in COMPUTED:
        changed_sum = copy.deepcopy(node)
        changed_sum.op = COMPUTED[type(node.op)]()
        yield changed_sum
    elif isinstance(node, ast.BoolOp):
        changed_bool = copy.deepcopy(node)
        changed_bool.op = ast.And() if isinstance(node.op, ast.Or) else ast.Or()
        yield changed_bool
    elif isinstance(node, ast.UnaryOp):
        yield copy.deepcopy(node.operand)
    elif isinstance(node, ast.If | ast.IfExp | ast.While) and not isinstance(node.test, ast.Compare):
        changed_if = copy.deepcopy(node)
        changed_if.test = ast.UnaryOp(ast.Not(), changed_if.test)
        yield changed_if
    elif isinstance(node, ast.comprehension) and node.ifs:
        changed_for = copy.deepcopy(node)
        changed_for.ifs = []
        yield changed_for
    elif isinstance(node, ast.Return) and node.value is not None and not isinstance(node.value, ast.Constant):
        yield ast.Return(ast.Constant(None))
    elif isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in OPPOSITE:
        changed_call = copy.deepcopy(node)
        changed_call.func = ast.Name(OPPOSITE[node.func.id], ast.Load())
        yield changed_call
    elif isinstance(node, ast.Constant):
        yield from _other_constants(node)


def _other_constants(node: ast.Constant) -> Iterator[ast.Constant]:
    value = node.value
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int):
        yield ast.Constant(value + 1)
        if value:
            yield ast.Constant(value - 1)
    elif isinstance(value, float):
        yield ast.Constant(value + 1)
    elif isinstance(value, str):
        yield ast.Constant(f"x{value}" if value else "x")


def _become(target: ast.AST, changed: ast.AST) -> None:
    """Make one node of a tree another, in its place."""
    target.__class__ = changed.__class__
    for name in list(vars(target)):
        if name not in ("lineno", "col_offset", "end_lineno", "end_col_offset"):
            delattr(target, name)
    for name, value in ast.iter_fields(changed):
        setattr(target, name, value)


class _Mutated(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Brings the mutant in wherever its module is imported."""

    def __init__(self, name: str, path: Path, tree: ast.Module) -> None:
        self.name = name
        self.path = path
        self.tree = tree

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> importlib.machinery.ModuleSpec | None:
        """Return our own spec for the module, None for all others."""
        if fullname != self.name:
            return None
        return importlib.util.spec_from_loader(fullname, self, origin=str(self.path))

    def exec_module(self, module: ModuleType) -> None:
        """Run the mutated code."""
        module.__file__ = str(self.path)
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


def survives(module: str, mutant: Mutant) -> bool:
    """Run the tests of a module over a mutant; say whether they all came through in time."""
    child = os.fork()
    if child == 0:
        _silence()
        name = f"capture.domain.{module.removesuffix('.py')}"
        sys.meta_path.insert(0, _Mutated(name, DOMAIN / module, mutant.tree))
        code = 1
        try:
            importlib.import_module(name)  # now, or pytest would import the file itself
            code = _run_tests(module)
        finally:
            os._exit(0 if code == 0 else 1)
    end = time.monotonic() + LIMIT_S
    while time.monotonic() < end:
        done, result = os.waitpid(child, os.WNOHANG)
        if done:
            return result == 0
        time.sleep(0.01)
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return False


def _silence() -> None:
    away = os.open(os.devnull, os.O_WRONLY)
    os.dup2(away, 1)
    os.dup2(away, 2)


def _run_tests(module: str) -> int:
    import pytest

    files = [str(ROOT / "tests" / "domain" / name) for name in TESTS[module]]
    own = str(DOMAIN / module)
    options = ["-x", "-q", "-p", "no:cacheprovider", "--timeout=0", "--hypothesis-profile=mutants"]
    options += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]  # hypothesis is loaded already
    return int(pytest.main([*options, own, *files]))


def _load_what_is_heavy() -> None:
    import hypothesis

    from capture.domain import units

    for name in HEAVY:
        importlib.import_module(name)
    too_early = sorted({f"capture.domain.{name.removesuffix('.py')}" for name in TESTS} & set(sys.modules))
    assert not too_early, f"{too_early} would be tested unchanged"
    units.factor("in", "mm")  # the registry takes a few tenths of a second
    quick = (hypothesis.Phase.explicit, hypothesis.Phase.generate)  # a killed mutant need not be explained
    hypothesis.settings.register_profile(
        "mutants", deadline=None, max_examples=25, derandomize=True, database=None, phases=quick
    )


def main(arguments: Sequence[str]) -> int:
    """Run all mutants of the modules asked for and print what was killed and what was not."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("modules", nargs="*", help=f"some of {', '.join(TESTS)}")
    parser.add_argument("--list", action="store_true", help="only list the mutants")
    chosen = parser.parse_args(arguments)
    if unknown := sorted(set(chosen.modules) - set(TESTS)):
        parser.error(f"module {unknown[0]!r} is not one of {', '.join(TESTS)}")
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))
    if not chosen.list:
        _load_what_is_heavy()
    killed_of_all = count_of_all = 0
    for module in chosen.modules or TESTS:
        found = list(mutants((DOMAIN / module).read_text(encoding="utf-8")))
        if chosen.list:
            print("\n".join(f"{module}:{one.line}: {one.what}" for one in found))
            continue
        as_it_is = Mutant(0, "nothing", ast.parse((DOMAIN / module).read_text(encoding="utf-8")))
        if not survives(module, as_it_is):
            print(f"{module}: its tests do not come through as it is; mend that first", file=sys.stderr)
            return 1
        killed = _killed(module, found)
        print(f"{module}: {killed} of {len(found)} killed", flush=True)
        killed_of_all += killed
        count_of_all += len(found)
    if not chosen.list:
        print(f"all: {killed_of_all} of {count_of_all} killed")
    return 0


def _killed(module: str, found: Sequence[Mutant]) -> int:
    """Return how many of a module's mutants its tests notice; print the others as they come."""
    killed = 0
    for mutant in found:
        if survives(module, mutant):
            print(f"  {module}:{mutant.line}: {mutant.what}", flush=True)
        else:
            killed += 1
    return killed


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
