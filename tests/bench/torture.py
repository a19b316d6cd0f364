"""Prints what comes of a daemon that is killed again and again under load.

python -m tests.bench.torture [kills] [seed]
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

from tests.torture import torture

if __name__ == "__main__":
    begun = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        result = torture(
            Path(folder),
            int(sys.argv[1]) if len(sys.argv) > 1 else 200,
            int(sys.argv[2]) if len(sys.argv) > 2 else 1,
        )
    print("\n".join(result.lines()))
    print(f"in {time.monotonic() - begun:.0f} s")
    sys.exit(bool(result.wrong))
