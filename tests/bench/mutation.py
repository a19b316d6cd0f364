"""Mutates modules one place at a time and prints how many mutants their tests kill.

    python -m tests.bench.mutation reflection [calibration ...] [--sample N] [--seed S]
    python -m tests.bench.mutation named

A mutant differs from its module in one comparison, operator, number, truth value, argument of a
conditional, result, or dropped call. It is killed if a test fails or the tests take several times
as long as without it. Which tests enter a function is traced first; a mutant runs those alone,
the quickest first, up to the first failure, on a copy of the tree, in a child forked after the
libraries have been imported. Hypothesis runs the same examples every time; tests of years and
months are left out.

Survivors are listed. Mutants of annotations, docstrings and of numbers in texts are not made; those
of `mutation_equivalent.txt`, which nobody can tell from their module, are counted apart. `named`
runs the mutants of `mutation_named.py`, made by hand.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import ctypes
import gc
import hashlib
import importlib
import itertools
import math
import os
import pickle
import random
import resource
import shutil
import signal
import sys
import tempfile
import threading
import time
import traceback
from collections.abc import Callable
from pathlib import Path
from types import CodeType, FrameType, FunctionType
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
HERE = Path(__file__).resolve().parent
RULES = ["watchdog", "sudden_change", "baseline_shift", "intermittent_contact",
         "heating_joint", "detector_fault", "level_changes",
         "foreign_signals", "rule_limits", "baseline_forecast"]  # fmt: skip
TABLE = {  # modules under logger/ and the tests that answer for them
    "reflection": (["physics/reflection.py"], ["reflection", "transmissions", "extrapolation"]),
    "settling": (
        ["stages/settling.py", "stages/decay.py"],
        ["settling", "settling_detectors", "transmissions"],
    ),
    "transmissions": (
        ["stages/transmissions.py", "stages/totals.py", "stages/transmission_rows.py"],
        ["transmissions", "settling_detectors"],
    ),
    "excursions": (
        ["stages/excursions.py", "stages/departures.py"],
        ["excursions", "chatter", "departures", "levels", "foreign_signals"],
    ),
    "watchdog": (["watchdog"], RULES),
    "calibration": (
        [f"calibration/{name}.py" for name in ("parameters", "problem", "model", "fit",
                                               "least_squares", "outcome", "doubt",
                                               "interpolant")],
        ["calibrate_fit", "calibration_parts", "least_squares", "extrapolation"],
    ),
    "coupler": (
        [f"calibration/{name}.py" for name in ("coupler", "detector", "quality")],
        ["calibration_file", "extrapolation", "calibrate_fit"],
    ),
    "trend": (
        ["trend"],
        ["trend", "trend_parts", "state_parts", "nonparametric", "forecast", "one_antenna",
         "station_state", "days"],
    ),
    "archive": (["store/archive.py", "store/segments.py"], ["archive", "segments", "captures"]),
}  # fmt: skip
LIBRARIES = ("numpy", "scipy.optimize", "scipy.stats", "scipy.special", "scipy.interpolate",
             "scipy.linalg", "scipy.signal", "pytest", "hypothesis.strategies", "msgspec", "yaml",
             "click", "backports.zstd", "statsmodels.api", "pymannkendall", "asyncio")  # fmt: skip
SWAPS: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.Pow: ast.Mult,
    ast.FloorDiv: ast.Div, ast.Mod: ast.Mult, ast.Lt: ast.LtE, ast.LtE: ast.Lt, ast.Gt: ast.GtE,
    ast.GtE: ast.Gt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq, ast.Is: ast.IsNot, ast.IsNot: ast.Is,
    ast.In: ast.NotIn, ast.NotIn: ast.In, ast.And: ast.Or, ast.Or: ast.And, ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}  # fmt: skip
NAMES = {"min": "max", "max": "min", "maximum": "minimum", "minimum": "maximum", "any": "all",
         "all": "any", "hypot": "subtract", "argmin": "argmax", "argmax": "argmin"}  # fmt: skip
CHANGED = (ast.BinOp, ast.AugAssign, ast.BoolOp, ast.Compare, ast.Constant, ast.UnaryOp,
           ast.Attribute, ast.Name, ast.IfExp, ast.Return, ast.Expr)  # fmt: skip
PR_SET_PDEATHSIG = 1  # Linux
TRACES = "mismatchd-mutation-traces"  # what tests reach, from run to run; paths by name
NEEDS_IMPORT = 42  # exit code
GUARD_S, SLACK = 2.0, 4.0  # a mutant may take so much more time than its tests do without it
PATIENCE = 8.0  # times the processor time, for those that wait for something
LONG = "not years_of and not years_without_one and not months"  # tests left out
LONGEST_S = 5.0  # processor time of a test; longer ones are left out,
BUDGET_S = 10.0  # and the slowest where those of a mutant take more together
INERT = ("strict", "frozen", "slots", "omit_defaults")  # arguments that change no result
EXAMPLES = 25  # of a test of hypothesis, at most


class Mutant(NamedTuple):
    """One change of a file, in a line, the lines of the function around it, if there is one, and
    the whole text with it."""

    path: Path
    line: int
    function: range | None
    is_constant: bool
    change: str
    text: str


class TestRun(NamedTuple):
    """Processor time of a test without mutants, and first lines of functions it enters, by file."""

    duration_s: float
    lines: dict[str, set[int]]


def count_places(source: str) -> list[tuple[int, int]]:
    """Return the mutants of a source: number of the node in the walk, and way to change it."""
    tree = ast.parse(source)
    hidden = {
        id(inner)
        for node in ast.walk(tree)
        for part in (
            *(getattr(node, name, None) for name in ("annotation", "returns", "type_params")),
            node if isinstance(node, ast.JoinedStr) else None,
        )
        if isinstance(part, ast.AST)
        for inner in ast.walk(part)
    }
    keywords = [node for node in ast.walk(tree) if isinstance(node, ast.keyword)]
    axes = {id(node.value) for node in keywords if node.arg == "axis"}  # -1: by another name
    hidden |= {id(node.value) for node in keywords if node.arg in INERT}
    return [
        (number, way)
        for number, node in enumerate(ast.walk(tree))
        if id(node) not in hidden and isinstance(node, CHANGED)
        for way in range(2 - (id(node) in axes))
        if _change(copy.deepcopy(node), way)
    ]


def make_mutant(path: Path, number: int, way: int) -> Mutant:
    """Make the mutant of a file at that node of the walk."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    node = list(ast.walk(tree))[number]
    line = node.lineno  # type: ignore[attr-defined]
    change = " ".join((_change(node, way) or "").split())
    text = ast.unparse(ast.fix_missing_locations(tree))
    is_constant = any(
        isinstance(statement, ast.Assign)
        and statement.lineno <= line <= (statement.end_lineno or 0)
        for statement in tree.body
    )
    return Mutant(path, line, find_function(tree, line), is_constant, change, text)


def find_function(tree: ast.Module, line: int) -> range | None:
    """Return the lines of the outermost function with a line in its body."""
    for node in ast.walk(tree):  # the outermost come first
        if isinstance(node, ast.FunctionDef):
            last = node.end_lineno or node.lineno
            if node.body[0].lineno <= line <= last:
                first = min(n.lineno for n in (node, *node.decorator_list))
                return range(first, last + 1)
    return None


def _change(node: ast.AST, way: int) -> str | None:
    """Change a node in the way of that number; what was done, None if there is no such way."""
    before = ast.unparse(node)
    if way == 1:
        if not isinstance(node, ast.Constant) or isinstance(node.value, bool | str | bytes):
            return None
        if not isinstance(node.value, int | float) or node.value == 0:
            return None
        node.value = -node.value
    elif isinstance(node, ast.BinOp | ast.BoolOp) and type(node.op) in SWAPS:
        node.op = SWAPS[type(node.op)]()  # type: ignore[assignment]
    elif isinstance(node, ast.AugAssign):
        if type(node.op) in SWAPS:
            node.op = SWAPS[type(node.op)]()  # type: ignore[assignment]
    elif isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPS:
        node.ops[0] = SWAPS[type(node.ops[0])]()  # type: ignore[call-overload]
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        node.value = not node.value
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        if isinstance(node.value, float):
            node.value = node.value * 1.5 or 1.0
        else:
            node.value += max(1, abs(node.value) // 2)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.Not | ast.USub | ast.Invert):
        if isinstance(node.op, ast.USub):
            node.op = ast.UAdd()
        else:
            node.operand = ast.UnaryOp(node.op, node.operand)
    elif isinstance(node, ast.Attribute | ast.Name) and _name(node) in NAMES:
        setattr(node, "attr" if isinstance(node, ast.Attribute) else "id", NAMES[_name(node)])
    elif isinstance(node, ast.IfExp):
        node.body, node.orelse = node.orelse, node.body
    elif isinstance(node, ast.Return) and node.value is not None:
        if isinstance(node.value, ast.Constant) and node.value.value is None:
            return None
        node.value = ast.Constant(None)
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        node.value = ast.Constant(None)
    else:
        return None
    return f"{before} -> {ast.unparse(node)}"


def _name(node: ast.Attribute | ast.Name) -> str:
    return node.attr if isinstance(node, ast.Attribute) else node.id


class LineTracer:
    """Pytest plugin: processor time of each test and the functions it enters."""

    def __init__(self, names: dict[str, str]) -> None:
        self._names = names  # of files, as they are noted
        self._lines: dict[str, set[int]] = {}
        self._begin_s = 0.0
        self.runs: dict[str, TestRun] = {}

    def pytest_runtest_protocol(self, item: Any) -> None:
        self._lines = {}
        self._begin_s = time.process_time()
        threading.settrace(self._enter)
        sys.settrace(self._enter)

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.runs[report.nodeid] = TestRun(time.process_time() - self._begin_s, self._lines)

    def _enter(self, frame: FrameType, event: str, arg: object) -> None:
        name = self._names.get(frame.f_code.co_filename)
        if name is not None:
            self._lines.setdefault(name, set()).add(frame.f_code.co_firstlineno)


class FixedExamples:
    """Pytest plugin: hypothesis runs the same examples every time and does not shrink them."""

    def pytest_collection(self) -> None:
        from hypothesis import HealthCheck, Phase, settings

        settings.register_profile(
            "mutants", deadline=None, derandomize=True, database=None,
            phases=[Phase.explicit, Phase.generate], suppress_health_check=list(HealthCheck),
        )  # fmt: skip
        settings.load_profile("mutants")

    def pytest_collection_modifyitems(self, items: list[Any]) -> None:
        from hypothesis import settings

        for item in items:
            test = getattr(item, "obj", None)
            if (own := getattr(test, "_hypothesis_internal_use_settings", None)) is not None:
                few = settings(own, max_examples=min(own.max_examples, EXAMPLES))
                getattr(test, "__func__", test)._hypothesis_internal_use_settings = few


def fork(work: Callable[[], int], cpu_s: float = math.inf) -> int:
    """Return what a child returned from `work`, a negative number if it took too long: more than
    `cpu_s` seconds of processor time, or many times that."""
    sys.stdout.flush()
    child = os.fork()
    if not child:
        os.setsid()
        ctypes.CDLL(None).prctl(PR_SET_PDEATHSIG, signal.SIGKILL)  # not without its parent
        code = 3
        if cpu_s < math.inf:
            spent_s = math.ceil(time.process_time() + cpu_s)
            resource.setrlimit(resource.RLIMIT_CPU, (spent_s, spent_s))
        try:
            code = work()
        except BaseException:
            traceback.print_exc()
        finally:
            sys.stdout.flush()
            sys.stderr.flush()
            os._exit(code)
    end = time.monotonic() + PATIENCE * cpu_s
    pause_s = 0.001
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            _end_group(child)
            return os.waitstatus_to_exitcode(status)
        if time.monotonic() > end:
            _end_group(child)
            os.waitpid(child, 0)
            return -1
        time.sleep(pause_s)
        pause_s = min(2 * pause_s, 0.02)


def _end_group(leader: int) -> None:
    with contextlib.suppress(ProcessLookupError):
        os.killpg(leader, signal.SIGKILL)


def run_pytest(tree: Path, tests: list[str], plugins: list[Any]) -> int:
    """Run pytest on the copy of the tree, in a child where nothing of it has been imported."""
    output = os.open(tree.parent / "output", os.O_WRONLY | os.O_CREAT | os.O_TRUNC)
    os.dup2(output, 1)
    os.dup2(output, 2)
    os.chdir(tree)
    os.environ["PYTHONPATH"] = str(tree)
    sys.path[:] = [str(tree), *(p for p in sys.path if p not in ("", str(ROOT)))]
    for name in list(sys.modules):
        if name.partition(".")[0] in ("tests", "logger", "drivers"):
            del sys.modules[name]
    import pytest

    options = [
        *("-q", "-x", "-s", "-k", LONG, "-p", "no:cacheprovider", "--tb=short"),
        *("--rootdir", str(tree), "--basetemp", str(tree.parent / "base")),
        *("-W", "ignore::pytest.PytestAssertRewriteWarning"),
    ]
    return int(pytest.main([*options, *tests], plugins=[FixedExamples(), *plugins]))


class Judge:
    """Pytest plugin: runs, instead of all tests, those that reach each mutant.

    A mutant of a function or a constant is made in a child of the process that has collected the
    tests; any other by its file, in a child that imports everything anew.
    """

    def __init__(
        self, tree: Path, files: list[Path], mutants: list[Mutant], report: Callable[..., None]
    ) -> None:
        self._tree, self._files = tree, files
        self._modules = b"".join(file.read_bytes() for file in files)
        self._traces = Path(tempfile.gettempdir()) / TRACES
        self._tracer = LineTracer({str(file): str(file.relative_to(tree)) for file in files})
        self._mutants = mutants
        self._report = report
        self._runs: dict[str, TestRun] = {}
        self._failed = self._gave_up = False
        self._count = 0

    def pytest_runtestloop(self, session: Any) -> bool:
        if session.testsfailed:
            raise session.Interrupted("errors during collection")
        traced = self._tree.parent / "traced"

        keys = {item.nodeid: self._key(item.path) for item in session.items}
        known = pickle.loads(self._traces.read_bytes()) if self._traces.exists() else {}
        new = [item for item in session.items if keys[item.nodeid] not in known]

        def trace() -> int:
            session.config.pluginmanager.register(self._tracer)
            signal.signal(signal.SIGPROF, self._give_up)
            code = self._run_items(new)
            traced.write_bytes(pickle.dumps(self._tracer.runs))
            return code

        if fork(trace):
            raise RuntimeError("the tests fail without a mutant")
        for name, run in pickle.loads(traced.read_bytes()).items():
            known.setdefault(keys[name], {})[name] = run
        self._traces.write_bytes(pickle.dumps(known))
        runs = {name: known[key][name] for name, key in keys.items()}
        self._runs = {name: run for name, run in runs.items() if run.duration_s < LONGEST_S}
        items = {item.nodeid: item for item in session.items}
        self._functions = find_functions(self._files)
        gc.collect()
        gc.freeze()  # so that children share memory
        for mutant in self._mutants:
            tests = self.select_tests(mutant)
            survived = not tests or self._survives(mutant, [items[name] for name in tests])
            self._report(mutant, survived, len(tests))
        return True

    def _key(self, tests: Path) -> bytes:
        """Return a digest of a file of tests and of the modules that are mutated."""
        digest = hashlib.sha256(self._modules)
        digest.update(tests.read_bytes())
        return digest.digest()

    def pytest_runtest_logreport(self, report: Any) -> None:
        self._failed |= report.failed

    def _give_up(self, *_: object) -> None:
        """Leave a test that takes longer than a mutant may out."""
        if not self._gave_up:
            self._gave_up = True
            raise TimeoutError("left out")

    def _run_items(self, items: list[Any]) -> int:
        for item, following in zip(items, [*items[1:], None], strict=False):
            limit_s = LONGEST_S
            if self._runs:  # then SIGPROF ends the process
                limit_s = GUARD_S + SLACK * self._runs[item.nodeid].duration_s
            signal.setitimer(signal.ITIMER_PROF, limit_s)
            self._gave_up = False
            item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
            self._failed &= not self._gave_up
            if self._failed:
                print("failed:", item.nodeid)
                return 1
        signal.setitimer(signal.ITIMER_PROF, 0)
        return 0

    def select_tests(self, mutant: Mutant) -> list[str]:
        """Return the tests that enter the mutant's function, quickest first and what BUDGET_S
        allows; what is done while a module is imported, all tests reach that enter the file."""
        path = str(mutant.path.relative_to(self._tree))
        reached = [
            name
            for name, run in self._runs.items()
            if path in run.lines
            and (mutant.function is None or not run.lines[path].isdisjoint(mutant.function))
        ]
        reached.sort(key=lambda name: self._runs[name].duration_s)
        spent_s = itertools.accumulate(self._runs[name].duration_s for name in reached)
        return [name for name, s in zip(reached, spent_s, strict=True) if s <= BUDGET_S]

    def _survives(self, mutant: Mutant, items: list[Any]) -> bool:
        """True if the tests pass in time."""
        quick_s = sum(self._runs[item.nodeid].duration_s for item in items)
        limit_s = GUARD_S + SLACK * quick_s

        def work() -> int:
            if mutant.function:
                replaced = replace_functions(mutant, self._functions[str(mutant.path)])
            else:
                replaced = mutant.is_constant and replace_constants(mutant)
            return self._run_items(items) if replaced else NEEDS_IMPORT

        code = fork(work, limit_s)
        if code == NEEDS_IMPORT:
            code = self._import_anew(mutant, [item.nodeid for item in items], limit_s)
        return code == 0

    def _import_anew(self, mutant: Mutant, tests: list[str], limit_s: float) -> int:
        original, times = mutant.path.read_bytes(), mutant.path.stat()
        self._count += 1
        sys.dont_write_bytecode = True
        mutant.path.write_text(mutant.text, encoding="utf-8")
        os.utime(mutant.path, (self._count, self._count))  # no byte code of others is taken for it
        try:
            return fork(lambda: run_pytest(self._tree, tests, []), 10 + limit_s)
        finally:
            mutant.path.write_bytes(original)
            os.utime(mutant.path, ns=(times.st_atime_ns, times.st_mtime_ns))
            sys.dont_write_bytecode = False


def find_functions(files: list[Path]) -> dict[str, list[FunctionType]]:
    """Return all functions made by the code of some files, by file."""
    functions: dict[str, list[FunctionType]] = {str(file): [] for file in files}
    for function in gc.get_objects():
        if isinstance(function, FunctionType) and function.__code__.co_filename in functions:
            functions[function.__code__.co_filename].append(function)
    return functions


def replace_functions(mutant: Mutant, functions: list[FunctionType]) -> bool:
    """Give the functions of the mutant's module their new code; False if that cannot be done."""
    new: dict[str, list[CodeType]] = {}
    codes = [compile(mutant.text, str(mutant.path), "exec")]
    while codes:
        code = codes.pop()
        new.setdefault(code.co_qualname, []).append(code)
        codes += [inner for inner in code.co_consts if isinstance(inner, CodeType)]
    for function in functions:
        same_name = new.get(function.__code__.co_qualname, [])
        try:
            (function.__code__,) = same_name
        except ValueError:  # two of a name, or it uses other variables of a function around it
            return False
    return True


def replace_constants(mutant: Mutant) -> bool:
    """Give the constants of the mutant's module their new values, also where other modules have
    imported them; False if that cannot be done."""
    module = next(m for m in sys.modules.values() if getattr(m, "__file__", "") == str(mutant.path))
    names: dict[str, Any] = {"__name__": module.__name__, "__file__": module.__file__}
    exec(compile(mutant.text, str(mutant.path), "exec"), names)
    changed = {
        name: value
        for name, value in names.items()
        if isinstance(value, int | float | tuple | list | dict) and repr(value) != repr(
            vars(module)[name])
    }  # fmt: skip
    for name, value in changed.items():
        before = vars(module)[name]
        for other in list(sys.modules.values()):
            if vars(other).get(name, None) is before:
                setattr(other, name, value)
    return bool(changed)


def interval(killed: int, count: int) -> tuple[float, float]:
    """Return the 95 % interval of a share (Wilson's)."""
    z, n = 1.96, max(count, 1)
    share = killed / n
    middle = (share + z * z / (2 * n)) / (1 + z * z / n)
    half = z / (1 + z * z / n) * math.sqrt(share * (1 - share) / n + z * z / (4 * n * n))
    return max(middle - half, 0.0), min(middle + half, 1.0)


def read_equivalent() -> set[str]:
    """Return the equivalent mutants: file under logger/ | change | text of the line."""
    lines = (HERE / "mutation_equivalent.txt").read_text(encoding="utf-8").splitlines()
    return {line.rpartition(" | ")[0] for line in lines if not line.startswith("#")}


def list_files(tree: Path, name: str) -> list[Path]:
    """Return the modules of a row of TABLE."""
    paths = [tree / "logger" / path for path in TABLE[name][0]]
    return [file for path in paths for file in sorted(path.rglob("*.py")) or [path]]


def judge(tree: Path, name: str, mutants: list[Mutant], report: Callable[..., None]) -> None:
    """Report of each mutant of a row of TABLE whether it survives, and how many tests reach it."""
    tests = [f"tests/test_{n}.py" for n in TABLE[name][1]]
    tests = [path for path in tests if (tree / path).exists()]
    plugin = Judge(tree, list_files(tree, name), mutants, report)
    if fork(lambda: run_pytest(tree, tests, [plugin])):
        print((tree.parent / "output").read_text(encoding="utf-8")[-3000:])
        print(f"{name}: no measurement")


def measure(tree: Path, name: str, sample: int, seed: int) -> None:
    """Judge mutants of a row of TABLE; print those that survive, and the summary."""
    places = [
        (file, *place)
        for file in list_files(tree, name)
        for place in count_places(file.read_text(encoding="utf-8"))
    ]
    everything = len(places)
    if sample and sample < everything:
        places = random.Random(seed).sample(places, sample)
    equivalent = read_equivalent()
    mutants, alike = [], 0
    for place in places:
        mutant = make_mutant(*place)
        path = mutant.path.relative_to(tree / "logger").as_posix()
        text = mutant.path.read_text(encoding="utf-8").splitlines()[mutant.line - 1].strip()
        if f"{path} | {mutant.change} | {text}" in equivalent:
            alike += 1
            print(f"  equivalent: {path}:{mutant.line}: {mutant.change}", flush=True)
        else:
            mutants.append(mutant)
    begin = time.monotonic()
    with open(tree.parent / "result", "w+", encoding="utf-8") as result:
        screen = os.dup(1)

        def report(mutant: Mutant, survived: bool, tests: int) -> None:
            print(int(survived), file=result, flush=True)
            if survived:
                path = mutant.path.relative_to(tree / "logger").as_posix()
                text = f"  survived: {path}:{mutant.line}: {mutant.change}  [{tests}]\n"
                os.write(screen, text.encode())

        judge(tree, name, mutants, report)
        os.close(screen)
        result.seek(0)
        killed = result.read().split().count("0")
    count = len(mutants)
    low, high = interval(killed, count)
    each_s = (time.monotonic() - begin) / max(count, 1)
    print(
        f"{name:<14}{killed:>4} of {count:>4} killed, {100 * killed / max(count, 1):3.0f} %"
        f" ({100 * low:.0f} to {100 * high:.0f}), {alike} equivalent,"
        f" of {everything} mutants; {each_s:.1f} s each",
        flush=True,
    )


def measure_named(tree: Path) -> None:
    """Judge the mutants made by hand; print which survive."""
    from tests.bench.mutation_named import NAMED

    groups: dict[str, list[Mutant]] = {}
    for name, group, path, old, new in NAMED:
        file = tree / "logger" / path
        text = file.read_text(encoding="utf-8")
        if text.count(old) != 1:
            sys.exit(f"{name}: {path} has {old!r} {text.count(old)} times, not once")
        line = text[: text.index(old) + 1].count("\n") + 1
        function = find_function(ast.parse(text), line)
        mutant = Mutant(file, line, function, not function, name, text.replace(old, new))
        groups.setdefault(group, []).append(mutant)
    screen = os.dup(1)

    def report(mutant: Mutant, survived: bool, tests: int) -> None:
        fate = "survived" if survived else "killed"
        os.write(screen, f"  {fate:<9}{mutant.change}  [{tests}]\n".encode())

    for group, mutants in groups.items():
        judge(tree, group, mutants, report)


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("names", nargs="+", choices=[*TABLE, "named"])
    parser.add_argument("--sample", type=int, default=0, help="mutants of each name, 0 for all")
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    for library in LIBRARIES:
        importlib.import_module(library)
    memory = Path("/dev/shm")  # tests that write to disk wait for it
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as folder:
        tree = Path(folder) / "tree"
        shutil.copytree(ROOT, tree, ignore=shutil.ignore_patterns(".venv", ".git", "__pycache__"))
        for name in arguments.names:
            if name == "named":
                measure_named(tree)
            else:
                measure(tree, name, arguments.sample, arguments.seed)


if __name__ == "__main__":
    main()
