"""File of bench points during a session.

This module is responsible for a file that is complete on disk after each point, and for the lines
that it already has. Input: points and the station's highest power. Output: the file.
"""

from __future__ import annotations

import contextlib
import csv
import os
import re
import tempfile
from collections.abc import Iterator
from pathlib import Path

from logger.calibration.bench_points import COLUMNS, BenchPoint, parse, row
from logger.errors import BenchPointError, MismatchdError, UsageError

HIGHEST_W = re.compile(r"# highest power: ([0-9.e+-]+) W")


class PointsText:
    """Text of a points file during a session; existing lines remain as they are.

    dropped  incomplete last line of an interrupted write, None if there was none
    """

    def __init__(self, text: str, where: str) -> None:
        """Parse the text. Raise BenchPointError if it does not contain bench points."""
        self.dropped: str | None = None
        self.points: list[BenchPoint] = []
        self._line_numbers: list[int] = []
        head, _, tail = text.rpartition("\n")
        if head and tail.strip() and not _readable(text, where):
            text, self.dropped = head, tail
        self._lines = text.splitlines()
        self._columns: tuple[str, ...] = COLUMNS
        written = [
            line for line in self._lines if line.strip() and not line.lstrip().startswith("#")
        ]
        if not written:
            self._lines.append(",".join(COLUMNS))
        elif written != [",".join(COLUMNS)]:
            bench = parse(text, where)
            header = next(csv.reader([written[0]]))
            self._columns = tuple(name.strip().lower() for name in header)
            self.points = list(bench.points)
            self._line_numbers = [int(place.rpartition(":")[2]) - 1 for place in bench.places]

    @property
    def highest_w(self) -> float | None:
        """Power stated in a comment, watts; None without one."""
        stated = (HIGHEST_W.fullmatch(line.strip()) for line in self._lines)
        return next((float(match[1]) for match in stated if match), None)

    def state_highest_w(self, watts: float) -> None:
        """Write the comment as the first line, replacing an earlier one."""
        count = len(self._lines)
        self._lines = [line for line in self._lines if not HIGHEST_W.fullmatch(line.strip())]
        self._lines.insert(0, f"# highest power: {watts:g} W")
        shift = len(self._lines) - count
        self._line_numbers = [number + shift for number in self._line_numbers]

    @property
    def text(self) -> str:
        """Text of the whole file."""
        return "".join(f"{line}\n" for line in self._lines)

    def append(self, point: BenchPoint) -> str:
        """Append a point; return the line to append to the file."""
        self.points.append(point)
        self._line_numbers.append(len(self._lines))
        self._lines.append(row(point, self._columns))
        return f"{self._lines[-1]}\n"

    def replace(self, number: int, point: BenchPoint) -> None:
        """Replace an earlier point."""
        self.points[number] = point
        self._lines[self._line_numbers[number]] = row(point, self._columns)


class PointsFile(PointsText):
    """Bench points on disk, written completely as soon as they are taken."""

    def __init__(self, path: Path) -> None:
        """Read the existing file, if any. Raise BenchPointError, UsageError."""
        self.path = path
        self._exists = path.exists()
        try:
            text = path.read_text(encoding="utf-8-sig") if self._exists else ""
        except (OSError, UnicodeDecodeError) as error:
            raise BenchPointError(f"{path}: cannot be read: {error}") from error
        super().__init__(text, str(path))
        if not os.access(path if self._exists else path.absolute().parent, os.W_OK):
            raise UsageError(f"{path}: cannot be written: check its folder and permissions")
        if self.dropped is not None:
            self._rewrite()

    def state_highest_w(self, watts: float) -> None:
        """Write the station's highest power to the file. Raise MismatchdError if that fails."""
        super().state_highest_w(watts)
        self._rewrite()

    def add(self, point: BenchPoint) -> int:
        """Append a point; return its number. Raise MismatchdError if it cannot be written."""
        line = self.append(point)
        if len(self.points) == 1 or not self._exists:
            self._rewrite()
        else:
            with self._named_errors(), self.path.open("a", encoding="utf-8") as file:
                file.write(line)
                file.flush()
                os.fsync(file.fileno())
        return len(self.points) - 1

    def replace(self, number: int, point: BenchPoint) -> None:
        """Replace an earlier point. Raise MismatchdError if it cannot be written."""
        super().replace(number, point)
        self._rewrite()

    def _rewrite(self) -> None:
        target = self.path.resolve()
        with (
            self._named_errors(),
            tempfile.NamedTemporaryFile(
                "w", encoding="utf-8", dir=target.parent, prefix=f".{target.name}-", delete=False
            ) as file,
        ):
            try:
                file.write(self.text)
                file.flush()
                os.fsync(file.fileno())
                os.chmod(file.name, target.stat().st_mode if self._exists else 0o644)
                os.replace(file.name, target)
            except BaseException:
                os.unlink(file.name)
                raise
        self._exists = True

    @contextlib.contextmanager
    def _named_errors(self) -> Iterator[None]:
        try:
            yield
        except OSError as error:
            raise MismatchdError(f"{self.path}: cannot be written: {error.strerror}") from error


def _readable(text: str, where: str) -> bool:
    try:
        parse(text, where)
    except BenchPointError:
        return False
    return True
