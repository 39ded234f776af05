"""Do the tests notice? Break one thing at a time in a module and run its tests: `python -m tests.mutants`.

Each mutant is one swapped operator, turned comparison, moved number, dropped `not` or lost return value. It
takes the place of the module in a forked process, so that no file is touched; a mutant on which every test
passes (or that none reaches) has survived and is printed. Texts, annotations and what is raised are left
alone. Random examples are few here, so the share noticed is a little higher in truth.
"""

import argparse
import ast
import copy
import importlib.abc
import importlib.util
import itertools
import os
import random
import shlex
import signal
import sys
from collections.abc import Callable, Iterator
from importlib.machinery import ModuleSpec
from pathlib import Path
from types import ModuleType
from typing import Any

import hypothesis
import numpy as np
import pytest

_OPTIONS = ["-x", "-q", "-p", "no:cacheprovider", "-W", "ignore"]
ROOT = Path(__file__).parent.parent
_IN = "tests/collector"
_LISTENER = " ".join(  # the quick ones first
    f"{_IN}/listener/test_{name}.py"
    for name in ("hub", "flow", "rates", "conversation", "limits", "secrets", "clients")
)
# A module, and the tests that hold it.
HOUSE = {
    "collector.intake": " ".join(
        f"{_IN}/test_{name}.py"
        for name in ("intake", "intake_trouble", "joined_commits", "births_kept", "repeats")
    ),
    "collector.repeats": f"{_IN}/test_repeats.py",
    "collector.payload": f"{_IN}/test_payload.py {_IN}/test_payload_pairs.py",
    "collector.values": f"{_IN}/test_payload.py {_IN}/test_payload_pairs.py",
    "collector.quality.judge": f"{_IN}/quality/test_judge.py",
    "collector.listener.decoder": f"{_IN}/listener/test_decoder.py",
    "collector.listener.connection": _LISTENER,
    "collector.listener.hub": _LISTENER,
    "collector.store.rows": f"{_IN}/store/test_rows.py {_IN}/store/test_contract.py"
    f" {_IN}/store/test_compaction.py -k 'test_rows or sqlite or every_answer_is_the_same'",
    "collector.store.marks": f"{_IN}/store/test_marks.py -k marks {_IN}/store/test_contract.py",
    "forecast.air": "tests/forecast/test_air.py tests/forecast/test_common_practice.py",
    "forecast._sonntag": "tests/forecast/test_air.py tests/forecast/test_moisture.py",
    "forecast.cure": "tests/forecast/test_cure.py",
    "forecast.cure_now": "tests/forecast/test_cure_now.py",
    "forecast.cure_ahead": "tests/forecast/test_cure_ahead.py",
    "forecast.pace": "tests/forecast/test_pace.py",
    "forecast.time_surface": "tests/forecast/test_time_surface.py",
    "forecast.window": "tests/forecast/test_window_ends.py tests/forecast/test_window.py",
    "forecast.start_odds": "tests/forecast/test_start_odds.py tests/forecast/test_window.py",
    "forecast.job": "tests/forecast/test_job.py",
    "forecast.verdict": "tests/forecast/test_verdict.py",
}
_OTHER: dict[type[ast.AST], Callable[[], Any]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.FloorDiv: ast.Mult,
    ast.Mod: ast.Mult, ast.Pow: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
    ast.Lt: ast.GtE, ast.GtE: ast.Lt, ast.Gt: ast.LtE, ast.LtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.And: ast.Or, ast.Or: ast.And, ast.USub: ast.UAdd,
}  # fmt: skip


def _moved(value: float) -> float:
    """Give another number: a tenth more, or the next whole one."""
    if isinstance(value, bool):
        return not value
    return value + 1 if isinstance(value, int) else value * 1.1 + (value == 0.0)


def _change(node: ast.AST) -> str | None:
    """Break one node where it can be broken, and say what was done."""
    op = getattr(node, "op", None) or (getattr(node, "ops", None) or [None])[0]
    if (other := _OTHER.get(type(op))) is not None:
        if isinstance(node, ast.Compare):
            node.ops[0] = other()
        else:
            node.op = other()  # type: ignore[attr-defined]  # BinOp, BoolOp, UnaryOp, AugAssign
        return f"{type(op).__name__} -> {type(other()).__name__}"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not):
        node.operand = ast.UnaryOp(ast.Not(), node.operand)
        return "not dropped"
    if isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        was, node.value = node.value, _moved(node.value)
        return f"{was} -> {node.value}"
    if isinstance(node, ast.Return) and not _is_nothing(node.value):
        node.value = ast.Constant(None)
        return "returns None"
    return None


def _is_nothing(value: ast.expr | None) -> bool:
    """Say whether None would be no other answer; whether True would is tried by itself."""
    return value is None or (
        isinstance(value, ast.Constant) and (value.value is None or value.value is False)
    )


def _nodes(tree: ast.AST) -> Iterator[ast.AST]:
    """Walk what runs and matters: no annotations, decorators, raises, texts or type checking."""
    skipped = {"annotation", "returns", "decorator_list", "type_params"}
    for name, value in ast.iter_fields(tree):
        for node in value if isinstance(value, list) else [value]:
            if name in skipped or not isinstance(node, ast.AST):
                continue
            if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
                continue
            if isinstance(node, ast.keyword) and node.arg == "strict":  # zip's own assertion
                continue
            yield node
            yield from _nodes(node)


def mutants(source: str) -> list[tuple[int, str, int]]:
    """Find every mutant of a source: its line, what is changed, and which node that is."""
    found = []
    for number, node in enumerate(_nodes(ast.parse(source))):
        line = getattr(node, "lineno", 0)
        if (said := _change(copy.deepcopy(node))) is not None:
            found.append((line, said, number))
    return found


def _broken(source: str, number: int) -> ast.Module:
    """Make one mutant."""
    tree = ast.parse(source)
    _change(next(itertools.islice(_nodes(tree), number, None)))
    return ast.fix_missing_locations(tree)


def _path(name: str) -> Path:
    return ROOT / (name.replace(".", "/") + ".py")


class _Instead(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module from a tree instead of its file."""

    def __init__(self, name: str, tree: ast.Module, path: Path) -> None:
        self._name, self._tree, self._path = name, tree, path

    def find_spec(self, fullname: str, path: object, target: object = None, /) -> ModuleSpec | None:
        """Answer for the one name."""
        del path, target
        if fullname != self._name:
            return None
        return importlib.util.spec_from_file_location(fullname, self._path, loader=self)

    def exec_module(self, module: ModuleType) -> None:
        """Run the tree as the module."""
        exec(compile(self._tree, str(self._path), "exec"), module.__dict__)  # noqa: S102  # that is the idea


def _passes(name: str, tree: ast.Module, seconds: int) -> bool:
    """Run the tests with the module replaced, in a process of its own; too long counts as noticed."""
    path = _path(name)
    child = os.fork()
    if child == 0:
        os.environ |= {"HYPOTHESIS_PROFILE": "mutants", "PYTEST_DISABLE_PLUGIN_AUTOLOAD": "1"}
        signal.alarm(seconds)
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        sys.meta_path.insert(0, _Instead(name, tree, path))
        code = 2
        try:
            code = int(pytest.main([*_OPTIONS, *shlex.split(HOUSE[name])]))
        finally:
            os._exit(code)
    _, status = os.waitpid(child, 0)
    return status == 0


def _module(name: str, sample: int, seconds: int) -> float:
    """Break one module again and again; print what nobody noticed and give the share noticed."""
    source = _path(name).read_text(encoding="utf-8")
    if not _passes(name, ast.parse(source), seconds * 4):
        sys.exit(f"{name}: its tests fail on the sound module ({HOUSE[name]})")
    every = mutants(source)
    some = random.Random(1).sample(every, min(sample, len(every)))
    survived = [(line, said) for line, said, node in some if _passes(name, _broken(source, node), seconds)]
    noticed = 1.0 - len(survived) / len(some)
    print(f"{name:24} {len(every):4} mutants, {len(some):4} tried, {noticed:6.1%} noticed", flush=True)
    lines = source.splitlines()
    for line, said in sorted(survived):
        print(f"    {line:4} {said:22} {lines[line - 1].strip()[:76]}", flush=True)
    return noticed


def main() -> None:
    """Try the modules named, or all of the house."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("modules", nargs="*", default=list(HOUSE), metavar="MODULE")
    parser.add_argument("--sample", type=int, default=10_000, help="at most so many of each module")
    parser.add_argument("--seconds", type=int, default=60, help="a mutant that takes longer is noticed")
    parser.add_argument("--least", type=float, default=0.85, help="the share that must be noticed")
    asked = parser.parse_args()
    print(f"numpy {np.__version__}, hypothesis {hypothesis.__version__}: loaded once, forked for each mutant")
    low = [name for name in asked.modules if _module(name, asked.sample, asked.seconds) < asked.least]
    sys.exit(f"under {asked.least:.0%}: {', '.join(low)}" if low else 0)


if __name__ == "__main__":
    main()
