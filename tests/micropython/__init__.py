"""The bridge's main.py for MicroPython, run by the real interpreter on stand-ins for its hardware
(machine.py, time.py)."""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from tests.boards import Board
from tests.servers import needed
from tests.station import pty

HERE = Path(__file__).parent
FIRMWARE = HERE.parents[1] / "drivers/frames/firmware/micropython"


def interpreter() -> str:
    """The program; skips if there is none."""
    beside = Path(sys.executable).parent / "micropython"  # where pip puts it
    return str(beside) if beside.exists() else needed("micropython")


def environment(folder: Path, words: int, reports: int, **environ: str) -> dict[str, str]:
    """What machine.py is told; the descriptors are those of its lines."""
    return {
        "MICROPYPATH": f"{HERE}:{folder}",
        "BOARD_WORDS": str(words),
        "BOARD_REPORTS": str(reports),
        "BOARD_RESET": "1",
        **environ,
    }


@contextlib.contextmanager
def running(folder: Path, line: tuple[int, str] | None = None, **environ: str) -> Iterator[Board]:
    """main.py on a board whose file system is `folder`, at this line or one of its own."""
    program = interpreter()
    shutil.copy(FIRMWARE / "main.py", folder)
    with contextlib.ExitStack() as stack:
        master, port = line or stack.enter_context(pty())
        os.set_blocking(master, False)  # what nobody reads is lost, as on USB
        words_in, words = (stack.enter_context(os.fdopen(f, m)) for f, m in _pipe())
        reports, reports_out = (stack.enter_context(os.fdopen(f, m)) for f, m in _pipe())
        errors = stack.enter_context((folder / "errors").open("wb"))
        process = subprocess.Popen(
            [program, folder / "main.py"],
            cwd=folder,
            stdin=master,
            stdout=master,
            stderr=errors,
            pass_fds=[words_in.fileno(), reports_out.fileno()],
            env=environment(folder, words_in.fileno(), reports_out.fileno(), **environ),
        )
        words_in.close()
        reports_out.close()
        try:
            yield Board(process, words, reports, master, port)
        finally:
            words.close()
            try:
                process.wait(5)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        assert process.returncode == 0, (folder / "errors").read_text()


def _pipe() -> Iterator[tuple[int, str]]:
    read, write = os.pipe()
    yield read, "rb"
    yield write, "wb"
