"""Mutates modules one place at a time and prints how many mutants their tests kill.

    python -m tests.bench.mutation reflection [calibration ...] [--sample N] [--seed S]

A mutant differs from its module in one comparison, operator, number, truth value, argument of a
conditional, or dropped statement. The tests of its row in TABLE are run with `-x` on a copy of the
tree; a failure or a timeout (several times what they take unchanged) kills it. Survivors are
listed. Mutants of annotations and docstrings are not made.
"""

from __future__ import annotations

import argparse
import ast
import copy
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TABLE = {  # modules under logger/ and the tests that answer for them
    "reflection": (["reflection.py"], ["reflection"]),
    "settling": (["settling.py"], ["transmissions"]),
    "transmissions": (["transmissions.py", "totals.py", "transmission_rows.py"], ["transmissions"]),
    "excursions": (["excursions.py", "departures.py"], ["excursions"]),
    "watchdog": (
        ["watchdog"],
        ["watchdog", "sudden_change", "baseline_shift", "intermittent_contact", "heating_joint",
         "detector_fault", "learning_rules"],
    ),
    "calibration": (
        [f"calibration/{name}.py" for name in ("problem", "model", "least_squares", "fit",
                                               "outcome", "doubt", "interpolant")],
        ["calibrate_fit", "least_squares", "extrapolation"],
    ),
    "coupler": (
        [f"calibration/{name}.py" for name in ("coupler", "detector", "claims")],
        ["calibration_file", "extrapolation", "calibrate_fit"],
    ),
    "trend": (["trend"], ["trend", "second_opinion", "forecast"]),
    "archive": (["store/archive.py", "store/segments.py"], ["archive", "segments"]),
}  # fmt: skip
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE,
    ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "maximum": "minimum", "minimum": "maximum", "any": "all",
         "all": "any", "hypot": "subtract", "argmin": "argmax", "argmax": "argmin"}  # fmt: skip


def mutants(source: str) -> Iterator[tuple[int, str, str]]:
    """Line, what is changed, and the whole text, of each mutant."""
    tree = ast.parse(source)
    places = [node for node in ast.walk(tree) if not isinstance(node, ast.Expression)]
    hidden = {
        id(inner)
        for node in places
        for name in ("annotation", "returns", "type_params")
        if isinstance(part := getattr(node, name, None), ast.AST)
        for inner in ast.walk(part)
    }
    for number, node in enumerate(places):
        if id(node) in hidden:
            continue
        for change in range(2):
            other = copy.deepcopy(tree)
            twin = [n for n in ast.walk(other) if not isinstance(n, ast.Expression)][number]
            said = _change(twin, change)
            if said:
                text = ast.unparse(ast.fix_missing_locations(other))
                yield getattr(node, "lineno", 0), said, text


def _change(node: ast.AST, change: int) -> str | None:
    """Change a node in the way of that number; what was done, None if there is no such way."""
    before = ast.unparse(node) if hasattr(node, "lineno") else ""
    if change == 1:
        if not isinstance(node, ast.Constant) or isinstance(node.value, bool | str | bytes):
            return None
        if not isinstance(node.value, int | float) or node.value == 0:
            return None
        node.value = -node.value
    elif isinstance(node, ast.BinOp | ast.AugAssign | ast.BoolOp) and type(node.op) in SWAPS:
        node.op = SWAPS[type(node.op)]()  # type: ignore[assignment]
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        node.ops[0] = SWAPS[type(node.ops[0])]()  # type: ignore[call-overload]
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        node.value = not node.value
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        node.value = (
            node.value * 1.5 if isinstance(node.value, float) and node.value else 1 + node.value
        )
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub):
        node.op = ast.UAdd() if isinstance(node.op, ast.USub) else ast.Not()
        node.operand = node.operand if isinstance(node.op, ast.UAdd) else ast.UnaryOp(
            ast.Not(), node.operand
        )  # fmt: skip
    elif isinstance(node, ast.Attribute | ast.Name) and _name(node) in NAMES:
        setattr(node, "attr" if isinstance(node, ast.Attribute) else "id", NAMES[_name(node)])
    elif isinstance(node, ast.IfExp):
        node.body, node.orelse = node.orelse, node.body
    elif isinstance(node, ast.Return) and node.value is not None:
        node.value = ast.Constant(None)
    elif isinstance(node, ast.AugAssign):
        node.value = ast.Constant(0)
    else:
        return None
    return f"{before} -> {ast.unparse(node)}"


def _name(node: ast.Attribute | ast.Name) -> str:
    return node.attr if isinstance(node, ast.Attribute) else node.id


def run(tree: Path, tests: list[str], timeout_s: float) -> bool:
    """True if the tests pass in time."""
    files = [f"tests/test_{name}.py" for name in tests if (tree / f"tests/test_{name}.py").exists()]
    command = [sys.executable, "-m", "pytest", "-q", "-x", "-p", "no:cacheprovider", *files]
    environment = os.environ | {"PYTHONPATH": str(tree), "PYTHONDONTWRITEBYTECODE": "1"}
    process = subprocess.Popen(
        command, cwd=tree, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        start_new_session=True,
    )  # fmt: skip
    try:
        return process.wait(timeout_s) == 0
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, 9)
        process.wait()
        return False


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("names", nargs="+", choices=list(TABLE))
    parser.add_argument("--sample", type=int, default=0, help="mutants of each name, 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".venv", ".git", "__pycache__"))
        for name in arguments.names:
            paths, tests = TABLE[name]
            files = [f for p in paths for f in sorted((tree / "logger" / p).rglob("*.py"))
                     or [tree / "logger" / p]]  # fmt: skip
            everything = [(f, *m) for f in files for m in mutants(f.read_text(encoding="utf-8"))]
            if arguments.sample and arguments.sample < len(everything):
                everything = random.Random(arguments.seed).sample(everything, arguments.sample)
            begin = time.monotonic()
            if not run(tree, tests, 900):
                sys.exit(f"{name}: the tests fail without a mutant")
            timeout_s = 5 + 4 * (time.monotonic() - begin)
            killed = 0
            for file, line, said, text in everything:
                original = file.read_text(encoding="utf-8")
                file.write_text(text, encoding="utf-8")
                survived = run(tree, tests, timeout_s)
                file.write_text(original, encoding="utf-8")
                killed += not survived
                if survived:
                    print(f"  survived: {file.relative_to(tree)}:{line}: {said[:90]}", flush=True)
            print(f"{name:<14}{killed} of {len(everything)} killed"
                  f" ({100 * killed / max(len(everything), 1):.0f} %)", flush=True)  # fmt: skip


if __name__ == "__main__":
    main()
