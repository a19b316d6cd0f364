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
LOAD_COLUMNS = ("load", "line_deg", "load_ohm")
LOAD_DB = re.compile(r"# return loss of the dummy load: (?:([0-9.e+-]+) dB|unknown)")


class PointsText:
    """Text of a points file during a session; existing lines remain as they are.

    dropped  incomplete last line of an interrupted write, None if there was none
    """

    def __init__(self, text: str, where: str) -> None:
        """Parse the text. Raise BenchPointError if it does not contain bench points."""
        self.dropped: str | None = None
        self.is_extended = False
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
        return self._stated(HIGHEST_W)

    @property
    def load_db(self) -> float | None:
        """Return loss of the dummy load stated in a comment, dB; None without one."""
        return self._stated(LOAD_DB)

    def _stated(self, comment: re.Pattern[str]) -> float | None:
        stated = (comment.fullmatch(line.strip()) for line in self._lines)
        return next((float(match[1]) for match in stated if match and match[1]), None)

    def state_highest_w(self, watts: float) -> None:
        """State the station's highest power in a comment."""
        self._state(HIGHEST_W, f"# highest power: {watts:g} W")

    def state_load_db(self, load_db: float | None) -> None:
        """State the return loss of the dummy load in a comment; None if it is unknown."""
        words = "unknown" if load_db is None else f"{load_db:g} dB"
        self._state(LOAD_DB, f"# return loss of the dummy load: {words}")

    def _state(self, comment: re.Pattern[str], text: str) -> None:
        """Write a comment as the first line, replacing an earlier one."""
        count = len(self._lines)
        self._lines = [line for line in self._lines if not comment.fullmatch(line.strip())]
        self._lines.insert(0, text)
        shift = len(self._lines) - count
        self._line_numbers = [number + shift for number in self._line_numbers]

    @property
    def text(self) -> str:
        """Text of the whole file."""
        return "".join(f"{line}\n" for line in self._lines)

    def append(self, point: BenchPoint) -> str:
        """Append a point; return the line to append to the file.

        `is_extended` states that the whole file must be written, since columns were added.
        """
        self._extend_columns(point)
        self.points.append(point)
        self._line_numbers.append(len(self._lines))
        self._lines.append(row(point, self._columns))
        return f"{self._lines[-1]}\n"

    def replace(self, number: int, point: BenchPoint) -> None:
        """Replace an earlier point."""
        self._extend_columns(point)
        self.points[number] = point
        self._lines[self._line_numbers[number]] = row(point, self._columns)

    def _extend_columns(self, point: BenchPoint) -> None:
        """Add the columns of a point's load that a file of an earlier session lacks."""
        new = tuple(
            name
            for name in LOAD_COLUMNS
            if getattr(point, name) is not None and name not in self._columns
        )
        self.is_extended = bool(new)
        if new:
            self._columns += new
            header = min(
                number
                for number, line in enumerate(self._lines)
                if line.strip() and not line.lstrip().startswith("#")
            )
            self._lines[header] += "".join(f",{name}" for name in new)
            for number in self._line_numbers:
                self._lines[number] += "," * len(new)


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

    def _state(self, comment: re.Pattern[str], text: str) -> None:
        """Write a comment to the file. Raise MismatchdError if that fails."""
        super()._state(comment, text)
        self._rewrite()

    def add(self, point: BenchPoint) -> int:
        """Append a point; return its number. Raise MismatchdError if it cannot be written."""
        line = self.append(point)
        if len(self.points) == 1 or not self._exists or self.is_extended:
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
