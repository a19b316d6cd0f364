"""Applies another calibration to stored rows, from the mean volts of their seconds.

Pairs are not needed, so this is an approximation. A second is modelled as power of one level during
a share of the time, chosen to explain both its mean volts and its mean incident watts: all of it
for a steady carrier, less for speech. Each port's watts are then converted by the difference of the
laws at that level. Apart from the rounding of stored values, this is exact if the law changed by a
factor, and for a steady carrier. Speech is within 0.1 %; a second in which the reflection jumped
may be several per cent off in reflected watts (both measured in the tests).

Information from the original pairs is preserved (see `change`), and alarms stay as raised.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from logger.blocks import Bools, Floats
from logger.calibration.coupler import TEMPERATURE_STEP_C, Coupler
from logger.calibration.file import parse
from logger.errors import CalibrationError, StoreError
from logger.physics.reflection import HIGHEST_SWR, rho_of_swr, swr
from logger.recompute.change import BOUNDS, LEAST_W, Means, Moved, Recalibration, moved_ratio
from logger.rows import Flag
from logger.store.statements import WATT_DECIMALS
from logger.store.writer import StoreWriter

PAGE_ROWS = 20_000
UNKNOWN_C = -1000.0

SECOND = ("forward_w", "reflected_w", *BOUNDS, "flags")
TRANSMISSION = (
    "forward_w_mean",
    "forward_w_max",
    "reflected_w_mean",
    "reflected_w_max",
    *BOUNDS,
    "swr_max",
    "energy_j",
    "energy_low_j",
    "energy_high_j",
    "flags",
)

# Indices of sums over the seconds of a transmission, weighted by samples. `ON` is while power
# flows; weights are watts with a lower bound above 0.
COUNT, VF, VR, SHARE, WF, WR, WF_GAIN, WR_GAIN, OFF_F, OFF_R, ON_F, ON_R = range(12)

Progress = Callable[[int, int], None]


class MeansSummary(NamedTuple):
    """Result: numbers of rows derived again, and median changes over transmissions, None if none.

    `without_seconds` transmissions were left unchanged, as their volts are unknown.
    """

    transmissions: int
    seconds: int
    without_seconds: int
    forward_change: float | None  # of incident watts, relative
    reflected_change: float | None
    swr_change: float | None


class _Transmissions:
    """Transmissions to derive again, and the sums over their seconds."""

    def __init__(self, store: StoreWriter, new: Coupler) -> None:
        texts = {id_: text for id_, text in store.calibrations().items() if id_ != new.id}
        codes = {id_: code for code, id_ in enumerate(texts)}
        self._new = new
        self._olds = [
            _coupler(store, id_, text, new.temperature_range_c) for id_, text in texts.items()
        ]
        pages = [np.empty((6, 0))]
        fields = (
            *("calibration_id", "frequency_khz", "coupler_temperature_c"),
            *("forward_w_max", "reflected_w_max"),
        )
        for rows in store.pages("transmissions", fields, PAGE_ROWS):
            page = [(row[0], codes[row[1]], *row[2:]) for row in rows if row[1] in codes]
            pages.append(np.array(page, dtype=np.float64).reshape(-1, 6).T)
        table = np.concatenate(pages, axis=1)
        self.ids, self._codes = table[0].astype(np.int64), table[1].astype(np.int64)
        self._khz = table[2]
        warmth = np.rint(table[3] / TEMPERATURE_STEP_C) * TEMPERATURE_STEP_C
        self._celsius = np.nan_to_num(warmth, nan=UNKNOWN_C)
        self.peaks_v = np.empty((2, len(self.ids)))
        for change, of in self.by_change(np.arange(len(self.ids))):
            self.peaks_v[:, of] = change.peaks_v(*table[4:, of])
        self.sums = np.zeros((ON_R + 1, len(self.ids)))

    def places(self, ids: Floats) -> tuple[NDArray[np.intp], Bools]:
        """Return the positions of the transmissions `ids`, and a mask of those that are present."""
        index = np.searchsorted(self.ids, ids)
        index = np.minimum(index, len(self.ids) - 1)
        return index, np.asarray(self.ids[index] == ids)

    def by_change(self, index: NDArray[np.intp]) -> Iterator[tuple[Recalibration, Bools]]:
        """Yield each conversion with the mask of the rows it applies to."""
        codes = self._codes[index]
        for code in np.unique(codes):
            old, own = self._olds[code], codes == code
            celsius = np.where(own, self._celsius[index], np.nan)
            if not (old.depends_on_temperature or self._new.depends_on_temperature):
                celsius[own] = UNKNOWN_C
            for value in np.unique(celsius[own]).tolist():
                of = celsius == value
                at_c = math.nan if value == UNKNOWN_C else value
                yield Recalibration(old.at(at_c), self._new.at(at_c), self._khz[index[of]]), of


def recompute(
    store: StoreWriter, new: Coupler, progress: Progress = lambda done, of: None
) -> MeansSummary:
    """Derive all rows of other calibrations again by `new`, within the caller's transaction.

    Rows by `new` are left alone. `progress` receives the numbers of seconds done and in total.
    Memory is one page of rows and about 200 bytes per transmission. Raises StoreError, also if a
    calibration of stored rows is missing or unreadable.
    """
    work = _Transmissions(store, new)
    if not len(work.ids):
        return MeansSummary(0, 0, 0, None, None, None)
    seconds = _seconds(store, work, progress)
    changes, derived = _transmissions(store, work, new.id)
    with np.errstate(divide="ignore", invalid="ignore"):
        forward, reflected = changes[1, :2] / changes[0, :2] - 1
        swr_ = changes[1, 2] - changes[0, 2]
    return MeansSummary(
        derived,
        seconds,
        len(work.ids) - derived,
        *(_median(change) for change in (forward, reflected, swr_)),
    )


def _seconds(store: StoreWriter, work: _Transmissions, progress: Progress) -> int:
    fields = ("transmission_id", "samples", "forward_v", "reflected_v", *SECOND)
    total, read, derived = store.counts()["seconds"], 0, 0
    for rows in store.pages("seconds", fields, PAGE_ROWS):
        read += len(rows)
        page = np.array(rows, dtype=np.float64).T
        index, ours = work.places(page[1])
        page, index = page[:, ours], index[ours]
        derived += len(index)
        for change, of in work.by_change(index):
            result, sums = _second_rows(change, page[2:, of], work.peaks_v[:, index[of]])
            np.add.at(work.sums.T, index[of], sums.T)
            store.update("seconds", SECOND, _rows(page[0, of], result))
        progress(read, total)
    return derived


def _second_rows(
    change: Recalibration, page: Floats, peaks_v: Floats
) -> tuple[list[Floats], Floats]:
    """Return the columns of SECOND and the sums of seconds, (ON_R + 1, n)."""
    samples, forward_v, reflected_v, forward_w, reflected_w = page[:5]
    stored, flags = page[5:10], page[10].astype(np.int64)
    share = change.share(forward_v, forward_w)
    on_f, on_r = change.while_on(forward_v, reflected_v, share)
    forward, reflected = change.moved(on_f, on_r)
    off_f, off_r = (share * moved.on + (1 - share) * moved.pause for moved in (forward, reflected))
    means = Means(share * samples, on_f, on_r, forward_w / share, forward, reflected)
    ratio = reflected_w / np.maximum(forward_w, LEAST_W)
    hidden = flags & int(Flag.BELOW_FLOOR) != 0
    bounds, unreadable = change.bounds(means, ratio, stored, hidden)
    extrapolated = change.extrapolated(
        flags & int(Flag.EXTRAPOLATED) != 0,
        forward_v,
        (forward_v, reflected_v),
        (peaks_v[0], peaks_v[1]),
    )
    weight_f, weight_r = np.maximum(forward_w, LEAST_W), np.maximum(reflected_w, LEAST_W)
    sums = samples * np.stack(
        [
            np.ones_like(share),
            forward_v,
            reflected_v,
            share,
            weight_f,
            weight_r,
            weight_f * forward.gain,
            weight_r * reflected.gain,
            off_f,
            off_r,
            forward.on,
            reflected.on,
        ]
    )
    return [
        forward_w * forward.gain + off_f,
        reflected_w * reflected.gain + off_r,
        *bounds,
        change.flags(flags, unreadable, extrapolated),
    ], sums


def _transmissions(store: StoreWriter, work: _Transmissions, new_id: str) -> tuple[Floats, int]:
    """Derive the transmissions with known seconds.

    Return incident watts, reflected watts and SWR before and after, (2, 3, n), and their number.
    """
    changes = [np.empty((2, 3, 0))]
    derived = 0
    fields = ("settled_samples", *TRANSMISSION)
    for rows in store.pages("transmissions", fields, PAGE_ROWS):
        page = np.array(rows, dtype=np.float64).T
        index, ours = work.places(page[0])
        ours &= work.sums[COUNT, index] > 0
        page, index = page[:, ours], index[ours]
        derived += len(index)
        for change, of in work.by_change(index):
            part = page[:, of]
            result = _transmission_rows(
                change, part[1:], work.sums[:, index[of]], work.peaks_v[:, index[of]]
            )
            lines = [(*row, new_id) for row in _rows(part[0], result)]
            store.update("transmissions", (*TRANSMISSION, "calibration_id"), lines)
            reported = [0, 2, 4]  # mean incident, mean reflected, SWR
            changes.append(np.stack([part[2:][reported], np.array([result[k] for k in reported])]))
    return np.concatenate(changes, axis=2), derived


def _transmission_rows(
    change: Recalibration, page: Floats, sums: Floats, peaks_v: Floats
) -> list[Floats]:
    """Return the columns of TRANSMISSION."""
    settled, forward_w, forward_max, reflected_w, reflected_max = page[:5]
    stored, swr_max, energies_j, flags = (
        page[5:10],
        page[10],
        page[11:14],
        page[14].astype(np.int64),
    )
    mean = sums / sums[COUNT]
    share = mean[SHARE]
    forward, reflected = (
        Moved(sums[gain] / sums[weight], mean[on], mean[off])
        for gain, weight, on, off in ((WF_GAIN, WF, ON_F, OFF_F), (WR_GAIN, WR, ON_R, OFF_R))
    )
    on_f, on_r = change.while_on(mean[VF], mean[VR], share)
    samples = np.where(settled > 0, settled, sums[COUNT])
    means = Means(samples, on_f, on_r, forward_w / share, forward, reflected)
    ratio = reflected_w / np.maximum(forward_w, LEAST_W)
    hidden = flags & int(Flag.BELOW_FLOOR) != 0
    bounds, unreadable = change.bounds(means, ratio, stored, hidden)
    peaks = peaks_v[0], peaks_v[1]
    extrapolated = change.extrapolated(flags & int(Flag.EXTRAPOLATED) != 0, mean[VF], peaks, peaks)

    # The highest window is close to the highest readings, so it is converted like them.
    top_f, top_r = change.moved(*peaks)
    new_forward_max = forward_max * top_f.gain + top_f.on
    new_reflected_max = reflected_max * top_r.gain + top_r.on
    top = Means(samples, *peaks, forward_max, top_f, top_r)
    window = np.where(
        swr_max < HIGHEST_SWR,
        moved_ratio(top, rho_of_swr(swr_max) ** 2),
        new_reflected_max / np.maximum(new_forward_max, LEAST_W),
    )
    highest = np.fmax(bounds[0], swr(np.sqrt(np.maximum(window, 0.0))))

    new_forward_w = forward_w * forward.gain + mean[OFF_F]
    return [
        new_forward_w,
        new_forward_max,
        reflected_w * reflected.gain + mean[OFF_R],
        new_reflected_max,
        *bounds,
        np.where(unreadable, np.nan, highest),
        *(energies_j * new_forward_w / np.maximum(forward_w, LEAST_W)),
        change.flags(flags, unreadable, extrapolated),
    ]


def _rows(ids: Floats, columns: list[Floats]) -> list[tuple[Any, ...]]:
    """Return rows to store: id first, values rounded, NaN as None, flags as integers."""
    *figures, flags = columns
    table = np.round(np.stack(figures), WATT_DECIMALS) + 0.0
    plain = table.astype(object)
    plain[~np.isfinite(table)] = None
    lines = [ids.astype(np.int64).tolist(), *plain.tolist(), flags.tolist()]
    return list(zip(*lines, strict=True))


def _coupler(
    store: StoreWriter, calibration_id: str, text: str | None, temperature_range_c: float
) -> Coupler:
    where = f"{store.path}: calibration {calibration_id}"
    if text is None:
        raise StoreError(f"{where}: stored rows use it, but it is missing from the store")
    try:
        return Coupler(parse(text, where), temperature_range_c=temperature_range_c)
    except CalibrationError as error:
        raise StoreError(f"{error}; rows that use it cannot be derived again") from error


def _median(change: Floats) -> float | None:
    finite = change[np.isfinite(change)]
    return float(np.median(finite)) if len(finite) else None
