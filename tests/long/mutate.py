"""Mutation testing of the core's protections: small faults put in one at a time; do the tests see each?

    python tests/long/mutate.py                              guards, facts and conditions, all cores
    python tests/long/mutate.py guards                       only that module of controller/core
    WORKERS=2 CPU_S=300 python tests/long/mutate.py          other bounds
    SAMPLE=0.25 SEED=1 python tests/long/mutate.py facts     a quarter of its mutants, by chance

By hand, since it takes long; the last result is in MUTATION.md beside this file. The package and its tests
are copied to a temporary folder once, so a tree that is edited meanwhile does not matter. A mutant lives in
the memory of one forked process: its module is compiled from the changed syntax tree. A mutant is killed by a
failing test, by an error at import, or by more than CPU_S seconds of work; each is counted. A process that
ends in any other way is printed: it may be a fault of the tool. Tests stop at the first failure.

Faults: comparisons at their boundary and reversed; and/or; not; + - * /; numbers, truths and texts changed;
conditions always true and always false; a return of nothing; a statement left out; one figure of a Reason or
a Condition left out; two neighbouring arguments of a long call exchanged; an entry of a list left out.
Not touched: docstrings, type hints, and what stands inside ``Field(...)`` (bounds, defaults and descriptions
are held by the tests of the settings, against config/room.toml).
"""

from __future__ import annotations

import ast
import copy
import importlib.abc
import importlib.util
import multiprocessing
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
WORKERS = int(os.environ.get("WORKERS", os.cpu_count() or 1))
CPU_S = int(os.environ.get("CPU_S", "200"))
SAMPLE = float(os.environ.get("SAMPLE", "1"))
SEED = int(os.environ.get("SEED", "1"))
CORE = "tests/core/test_"
QUICK = ("bypass", "restart", "tank", "ceiling", "wall")
THOROUGH = ("words", "keeper", "trust", "runtime", "step", "never_machine", "never")
SAID = ("wall", "mould", "calibration", "tank_learns", "refill", "alarms", "messages")
TESTS = {
    "guards": (("guards",), QUICK, THOROUGH),
    "facts": (("facts", "guards"), QUICK, THOROUGH),
    "conditions": (("each_condition",), ("conditions",), SAID, ("guards", *QUICK), THOROUGH),
}
"""Which tests of the core look at which module, the quickest and likeliest first."""

BOUNDARY: dict[type, type] = {ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt}
REVERSED: dict[type, type] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
}  # fmt: skip
SUMS: dict[type, type] = {ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult}
FIGURED = ("Reason", "Condition")
LONG_CALL = 5


class Mutant(NamedTuple):
    line: int
    words: str
    tree: ast.Module


def variants(node: ast.AST) -> Iterator[tuple[str, ast.AST | None]]:
    """Every way to spoil one node: (what was done, the new node, or None to leave it out)."""
    if isinstance(node, ast.Compare):
        for index, op in enumerate(node.ops):
            for table in (BOUNDARY, REVERSED):
                if type(op) in table:
                    new = copy.deepcopy(node)
                    new.ops[index] = table[type(op)]()
                    yield f"{ast.unparse(node)} -> {ast.unparse(new)}", new
    elif isinstance(node, ast.BoolOp):
        new_op: ast.boolop = ast.Or() if isinstance(node.op, ast.And) else ast.And()
        changed = ast.BoolOp(new_op, copy.deepcopy(node.values))
        yield f"{ast.unparse(node)} -> {ast.unparse(changed)}", changed
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, (ast.Not, ast.USub)):
        yield f"{ast.unparse(node)} -> {ast.unparse(node.operand)}", copy.deepcopy(node.operand)
    elif isinstance(node, ast.BinOp) and type(node.op) in SUMS:
        binary = ast.BinOp(copy.deepcopy(node.left), SUMS[type(node.op)](), copy.deepcopy(node.right))
        yield f"{ast.unparse(node)} -> {ast.unparse(binary)}", binary
    elif isinstance(node, ast.Constant):
        yield from constants(node)
    elif isinstance(node, (ast.If, ast.IfExp)):
        for truth in (True, False):
            forced = copy.deepcopy(node)
            forced.test = ast.Constant(truth)
            yield f"if {ast.unparse(node.test)} -> if {truth}", forced
    elif isinstance(node, ast.Return) and node.value is not None and ast.unparse(node.value) != "None":
        yield f"{ast.unparse(node)[:70]} -> return None", ast.Return(ast.Constant(None))
    elif isinstance(node, (ast.AugAssign, ast.Break, ast.Continue)) or (
        isinstance(node, ast.Expr) and isinstance(node.value, ast.Call)
    ):
        yield f"without {ast.unparse(node)[:70]}", ast.Pass()
    elif isinstance(node, ast.Call):
        yield from calls(node)
    elif isinstance(node, (ast.Tuple, ast.List)) and len(node.elts) > 2 and isinstance(node.ctx, ast.Load):
        for index, item in enumerate(node.elts):
            shorter = copy.deepcopy(node)
            del shorter.elts[index]
            yield f"without {ast.unparse(item)} in the list", shorter


def constants(node: ast.Constant) -> Iterator[tuple[str, ast.AST]]:
    value = node.value
    if isinstance(value, bool):
        yield f"{value} -> {not value}", ast.Constant(not value)
    elif isinstance(value, (int, float)):
        yield f"{value} -> {value + 1}", ast.Constant(value + 1)
    elif isinstance(value, str):
        yield f"{value!r} -> {value + 'X'!r}", ast.Constant(value + "X")


def calls(node: ast.Call) -> Iterator[tuple[str, ast.AST]]:
    name = ast.unparse(node.func)
    if name in FIGURED:
        for index in range(1, len(node.args)):
            if name == "Reason" and index == 1:
                continue
            new = copy.deepcopy(node)
            new.args[index] = ast.Constant(None)
            yield f"{name}: {ast.unparse(node.args[index])} -> None", new
        for index, keyword in enumerate(node.keywords):
            new = copy.deepcopy(node)
            del new.keywords[index]
            yield f"{name}: without {keyword.arg}", new
    elif len(node.args) >= LONG_CALL:
        for index in range(len(node.args) - 1):
            new = copy.deepcopy(node)
            new.args[index], new.args[index + 1] = new.args[index + 1], new.args[index]
            first, second = (ast.unparse(arg)[:30] for arg in node.args[index : index + 2])
            yield f"{name}: {first} and {second} exchanged", new


SKIPPED = ("annotation", "returns", "bases", "decorator_list")


def places(node: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """(parent, field, index, child) of all that may be spoiled."""
    for field, value in ast.iter_fields(node):
        if field in SKIPPED:
            continue
        for index, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(child, ast.AST):
                continue
            docstring = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
            field_call = isinstance(child, ast.Call) and ast.unparse(child.func) == "Field"
            words = isinstance(child, (ast.JoinedStr, ast.ImportFrom, ast.Import))
            if docstring or field_call or words:
                continue
            yield node, field, index, child
            yield from places(child)


def mutants(source: str) -> Iterator[Mutant]:
    tree = ast.parse(source)
    for parent, field, index, child in list(places(tree)):
        for words, new in variants(child):
            put(parent, field, index, new)
            yield Mutant(getattr(child, "lineno", 0), words, ast.fix_missing_locations(copy.deepcopy(tree)))
            put(parent, field, index, child)


def put(parent: ast.AST, field: str, index: int | None, node: ast.AST | None) -> None:
    if index is None:
        setattr(parent, field, node)
    else:
        getattr(parent, field)[index] = node


class Spoiled(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Serves one module from a changed syntax tree."""

    def __init__(self, name: str, tree: ast.Module, path: Path) -> None:
        self.name, self.tree, self.path = name, tree, path

    def find_spec(self, fullname: str, path: Any = None, target: Any = None) -> Any:
        if fullname != self.name:
            return None
        return importlib.util.spec_from_file_location(fullname, self.path, loader=self)

    def exec_module(self, module: Any) -> None:
        exec(compile(self.tree, str(self.path), "exec"), module.__dict__)


class NoShrinking:
    """Whether a property fails is the question, not how small."""

    def pytest_sessionstart(self) -> None:
        from hypothesis import Phase, settings

        settings.register_profile("mutants", settings.get_profile("ci"), phases=[Phase.generate])
        settings.load_profile("mutants")


def run_tests(folder: Path, name: str, tree: ast.Module, tests: list[list[str]]) -> None:
    """In a forked process; its exit code is pytest's."""
    import pytest

    os.chdir(folder)
    quiet = os.open(out_of(folder, os.getpid()), os.O_WRONLY | os.O_CREAT)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    os.environ |= {"NEVER_STEPS": os.environ.get("NEVER_STEPS", "12000"), "NEVER_SHRINK": "0"}
    sys.path.insert(0, str(folder))
    sys.meta_path.insert(0, Spoiled(name, tree, folder / (name.replace(".", "/") + ".py")))
    resource.setrlimit(resource.RLIMIT_CPU, (CPU_S, CPU_S + 5))
    for part in tests:  # the quick ones first; most mutants are dead after them
        options = ["-x", "-q", "--assert=plain", "--tb=short", "-m", "not slow and not process", *part]
        code = pytest.main(options, plugins=[NoShrinking()])
        if code != 0:
            break
    os._exit(int(code))


def out_of(folder: Path, pid: int | None) -> Path:
    return folder / f"out-{pid}.txt"


def copy_tree(folder: Path) -> None:
    for part in ("controller", "tests", "config", "hardware_notes"):
        if (ROOT / part).is_dir():
            ignored = shutil.ignore_patterns("__pycache__", ".hypothesis")
            shutil.copytree(ROOT / part, folder / part, ignore=ignored)
    shutil.copy(ROOT / "pyproject.toml", folder)


def tests_of(module: str) -> list[list[str]]:
    return [[f"{CORE}{name}.py" for name in part] for part in TESTS.get(module, (QUICK, THOROUGH))]


def killer(exitcode: int | None, said: str) -> str:
    """Who killed it, in a word; "" = it survived."""
    if exitcode == 0:
        return ""
    if exitcode == -signal.SIGXCPU:
        return "the clock"
    failed = re.search(rf"^(FAILED|ERROR) {CORE}(\w+)\.py", said, re.MULTILINE)
    if failed and exitcode in (1, 2):
        return failed[2] if failed[1] == "FAILED" else "an error before any test"
    if exitcode == 4 and "conftest" in said:  # pytest's own words when its conftest cannot be imported
        return "an error before any test"
    return f"exit code {exitcode}: look at it"


class Verdict(NamedTuple):
    survivors: list[Mutant]
    killers: Counter[str]
    said: str  # by the last one's tests


def work_off(folder: Path, module: str, todo: list[Mutant]) -> Verdict:
    fork = multiprocessing.get_context("fork")
    tests, name = tests_of(module), f"controller.core.{module}"
    running: list[tuple[multiprocessing.context.ForkProcess, Mutant]] = []
    waiting, survivors, killers, said = list(todo), [], Counter[str](), ""
    while waiting or running:
        while waiting and len(running) < WORKERS:
            mutant = waiting.pop(0)
            process = fork.Process(target=run_tests, args=(folder, name, mutant.tree, tests))
            process.start()
            running.append((process, mutant))
        time.sleep(0.05)
        for entry in [entry for entry in running if not entry[0].is_alive()]:
            process, mutant = entry
            process.join()
            running.remove(entry)
            out = out_of(folder, process.pid)
            said = out.read_text(encoding="utf-8", errors="replace") if out.exists() else ""
            out.unlink(missing_ok=True)
            by = killer(process.exitcode, said)
            killers[by] += 1
            if not by:
                survivors.append(mutant)
                print(f"  SURVIVED {module}.py:{mutant.line}: {mutant.words}", flush=True)
            elif by.startswith("never") or (" " in by and by != "an error before any test"):
                print(f"  by {by}: {module}.py:{mutant.line}: {mutant.words}", flush=True)
    del killers[""]
    return Verdict(survivors, killers, said)


def main(modules: list[str]) -> int:
    import hypothesis.stateful  # noqa: F401
    import psychrolib  # noqa: F401
    import pydantic  # noqa: F401  # all of them once, before the forks
    import pytest  # noqa: F401
    import simple_pid  # noqa: F401

    failed = 0
    with tempfile.TemporaryDirectory(prefix="hygrohold-mutants-") as temporary:
        folder = Path(temporary)
        copy_tree(folder)
        for module in modules or list(TESTS):
            began = time.monotonic()
            source = (folder / "controller" / "core" / f"{module}.py").read_text(encoding="utf-8")
            whole = Mutant(0, "nothing: the tests pass without a mutant", ast.parse(source))
            judged = work_off(folder, module, [whole])
            if not judged.survivors:
                print(judged.said[-3000:])
                print(f"{module}: its tests fail as it is, so they can judge nothing")
                return 2
            todo = every = list(mutants(source))
            if SAMPLE < 1.0:
                todo = random.Random(SEED).sample(every, max(1, round(SAMPLE * len(every))))
                todo.sort(key=lambda mutant: mutant.line)
            print(f"{module}: {len(todo)} of {len(every)} mutants", flush=True)
            survivors, killers, _ = work_off(folder, module, todo)
            took_min = (time.monotonic() - began) / 60.0
            by = ", ".join(f"{count} by {name}" for name, count in killers.most_common())
            print(f"{module}: {killers.total()} of {len(todo)} killed, {took_min:.1f} min: {by}", flush=True)
            failed += len(survivors)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
