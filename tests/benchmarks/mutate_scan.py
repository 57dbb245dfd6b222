"""Small faults put into the readers one by one: does the corpus of files notice each?

    python tests/benchmarks/mutate_scan.py [every n-th fault, default 1]

Each fault (a comparison turned, a sum made a difference, a number one greater, a truth denied)
is made in a process of its own, where all corpus files are read. What no file notices is printed
with its line: a gap in the corpus, or a change that means nothing.
"""

from __future__ import annotations

import ast
import contextlib
import copy
import importlib.abc
import importlib.util
import inspect
import io
import os
import signal
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np  # noqa: F401 - loaded once here, inherited by every process below

ROOT = Path(__file__).resolve().parents[2]
SCAN = ROOT / "veneercheck" / "scan"
CORPUS = ROOT / "tests" / "edges" / "test_scan_corpus.py"
MODULES = (
    "stl", "ply", "obj", "off", "threemf", "glb", "placing", "formats", "text", "polygons",
    "paint", "units", "merge", "intake",
)  # fmt: skip
LONGEST_S = 30

OTHER: dict[type, type] = {
    ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE, ast.GtE: ast.Gt,
    ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.Add: ast.Sub, ast.Sub: ast.Add,
    ast.Mult: ast.FloorDiv, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult, ast.And: ast.Or,
    ast.Or: ast.And,
}  # fmt: skip


def changed(node: ast.AST) -> bool:
    """Put a fault into a node; False if this kind of node takes none."""
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.BitOr):
        return False  # mostly «X | None», a type and no sum
    if isinstance(node, ast.Compare) and type(node.ops[0]) in OTHER:
        node.ops[0] = OTHER[type(node.ops[0])]()
    elif isinstance(node, ast.BinOp | ast.BoolOp | ast.AugAssign) and type(node.op) in OTHER:
        node.op = OTHER[type(node.op)]()
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        node.value = not node.value
    elif isinstance(node, ast.Constant) and isinstance(node.value, int):
        node.value += 1
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        node.op, node.operand = ast.Not(), ast.UnaryOp(ast.Not(), node.operand)
    else:
        return False
    return True


def faults(tree: ast.Module) -> Iterator[tuple[ast.Module, ast.AST]]:
    """Copies of a module, each with one fault in a function."""
    count = len(list(ast.walk(tree)))
    inside = {
        id(node)
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef)
        for node in ast.walk(function)
    }
    places = [k for k, node in enumerate(ast.walk(tree)) if id(node) in inside]
    assert count >= len(places)
    for place in places:
        copied = copy.deepcopy(tree)
        node = list(ast.walk(copied))[place]
        if changed(node):
            yield ast.fix_missing_locations(copied), node


class Faulty(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Hands out one module with its fault in place of the true one."""

    def __init__(self, name: str, tree: ast.Module) -> None:
        self.name, self.tree = name, tree

    def find_spec(self, name: str, path: Any = None, target: Any = None) -> Any:
        del path, target
        if name != self.name:
            return None
        return importlib.util.spec_from_loader(name, self, origin="faulty")

    def exec_module(self, module: Any) -> None:
        exec(compile(self.tree, "faulty", "exec"), module.__dict__)


def corpus_holds() -> None:
    """Every test of the corpus, without pytest's own work."""
    spec = importlib.util.spec_from_file_location("corpus", CORPUS)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["corpus"] = module
    spec.loader.exec_module(module)
    with tempfile.TemporaryDirectory() as folder:
        for name, test in list(vars(module).items()):
            if not name.startswith("test_"):
                continue
            wanted = inspect.signature(test).parameters
            place = {"tmp_path": Path(folder)} if "tmp_path" in wanted else {}
            over = module.CORPUS if name == "test_corpus" else module.SOUND
            for entry in over if "name" in wanted else [None]:
                test(**place, **({"name": entry} if entry else {}))


def survives(name: str, tree: ast.Module) -> bool:
    """Whether the corpus passes with the fault in place."""
    child = os.fork()
    if child:
        return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 0
    signal.alarm(LONGEST_S)
    sys.meta_path.insert(0, Faulty(f"veneercheck.scan.{name}", tree))
    code = 1
    with contextlib.suppress(BaseException):
        with contextlib.redirect_stderr(io.StringIO()):
            corpus_holds()
        code = 0
    os._exit(code)


def main() -> None:
    """Try the faults and name those that nothing noticed."""
    step = int(sys.argv[1]) if len(sys.argv) > 1 else 1
    tried = lived = 0
    for name in MODULES:
        tree = ast.parse((SCAN / f"{name}.py").read_text(encoding="utf-8"))
        whole = ast.unparse(tree).splitlines()
        if not survives(name, tree):
            print(f"{name}: the corpus does not pass even without a fault", flush=True)
            continue
        for number, (faulty, node) in enumerate(faults(tree)):
            if number % step:
                continue
            tried += 1
            if survives(name, faulty):
                lived += 1
                lines = ast.unparse(faulty).splitlines()
                new = next((b for a, b in zip(whole, lines, strict=False) if a != b), "")
                print(f"{name}.py:{getattr(node, 'lineno', 0)}: {new.strip()[:90]}", flush=True)
    print(f"{tried} faults, {tried - lived} noticed, {lived} not")


if __name__ == "__main__":
    main()
