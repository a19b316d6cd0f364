"""`python -m logger.diagnosis STORE FAULT` diagnoses a fault and stores its probable cause.

The daemon runs it (see `service/fault_review`): a diagnosis computes for seconds, which a thread of
the daemon could not do without delaying alarms. Exit codes: 0 success, EX_TEMPFAIL if the
store cannot be read or written at the moment.
"""

from __future__ import annotations

import contextlib
import os
import sys
from pathlib import Path

from logger.diagnosis.explanation import store_explanation
from logger.diagnosis.fault_story import diagnose_fault
from logger.errors import MismatchdError
from logger.store.faults import Faults
from logger.store.reader import Store

LOWEST_PRIORITY = 19


def main(path: Path, fault_id: int) -> None:
    """Diagnose and store. Raise StoreError, UsageError if there is no such fault."""
    with contextlib.suppress(OSError):  # the systemd unit forbids it
        os.nice(LOWEST_PRIORITY)
    with Store.reader(path) as store:
        _, diagnosis = diagnose_fault(store, fault_id)
    with Faults.editor(path) as faults:
        store_explanation(faults, fault_id, diagnosis)


if __name__ == "__main__":
    try:
        main(Path(sys.argv[1]), int(sys.argv[2]))
    except MismatchdError as error:
        print(error, file=sys.stderr)
        sys.exit(os.EX_TEMPFAIL)
