"""Derives stored rows again: from archived raw pairs if available, else from mean volts."""

from __future__ import annotations

from logger.calibration.coupler import Coupler
from logger.calibration.file import dump
from logger.config.load import Config
from logger.recompute import means, raw, workers
from logger.store.writer import StoreWriter


class _DryRun(Exception):  # noqa: N818 - not an error: it rolls the transaction back
    pass


def recompute(
    store: StoreWriter,
    config: Config,
    coupler: Coupler,
    *,
    dry_run: bool = False,
    progress: raw.Progress = lambda done, of: None,
    jobs: int = 1,
    sizes: workers.Sizes = workers.SIZES,
) -> tuple[raw.RawSummary, means.MeansSummary]:
    """Derive everything again by the present calibration and rules, all or nothing.

    `progress` receives the numbers of pairs done and in total. At most `jobs` processes share the
    work, if it is worth their start; `sizes` are for tests. Raises StoreError, WorkerError.
    """
    summaries: list[tuple[raw.RawSummary, means.MeansSummary]] = []
    try:
        with store.database.transaction():
            store.insert_calibration(coupler.id, dump(coupler.content))
            by_raw = raw.recompute(store, config, coupler, progress, jobs, sizes)
            summaries.append((by_raw, means.recompute(store, coupler)))
            if dry_run:
                raise _DryRun
    except _DryRun:
        pass
    return summaries[0]
