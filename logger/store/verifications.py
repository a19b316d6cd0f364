"""Stored verifications of the coupler."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import msgspec

from logger.store.database import Repository
from logger.store.journal import Journal
from logger.store.sqlite import insert
from logger.utc import DAY_NS
from logger.verification.row import Verification

if TYPE_CHECKING:
    from logger.verification.judgement import Judgement

USUAL = {"usual_db", "usual_u_db", "usual_expected_u_db"}
FIELDS = tuple(name for name in Verification.__struct_fields__ if name not in USUAL)
DECIMALS = 4
USUAL_NS = 60 * DAY_NS  # of which the usual power is taken


class Verifications(Repository):
    """Checks against the dummy load. Methods raise StoreError."""

    def insert(self, verification: Verification, text: str) -> int:
        """Insert a verification and a remark in the journal; return the verification's id.

        Its transmissions no longer count in the values of their day.
        """
        values = [
            round(value, DECIMALS) if isinstance(value, float) else value
            for value in (getattr(verification, name) for name in FIELDS)
        ]
        with self.database.transaction():
            Journal(self.database).insert(verification.time_ns, "remark", text)
            statement = f"{insert('verifications', FIELDS)} RETURNING id"
            number = int(self.database.query_value(statement, values))
            self.database.execute(
                "INSERT OR IGNORE INTO stale_days (day) SELECT DISTINCT start_ns / ? FROM"
                " transmissions WHERE id IN (?, ?)",
                (DAY_NS, verification.transmission_id, verification.open_transmission_id),
            )
        return number

    def conclude(self, new: Verification) -> tuple[int, list[Verification], Judgement]:
        """Judge a new verification by those before it, and insert it with the judgement.

        Return its id, all verifications up to it, and the judgement.
        """
        # needs numpy, which the status does without
        from logger.verification.judgement import judge
        from logger.verification.words import entry

        history = self.add_usual_power([*self.all(new.time_ns - 1), new])
        judgement = judge(history)
        judged = msgspec.structs.replace(
            new,
            verdict=judgement.verdict,
            port=judgement.port,
            drift_db=judgement.drift_db,
            drift_u_db=judgement.drift_u_db,
            since_ns=judgement.since_ns,
        )
        return self.insert(judged, entry(judgement)), history, judgement

    def transmitter_db(self, channel: int | None, now_ns: int) -> float:
        """Return the transmitter's repeatability, dB, by its usual power on a channel."""
        import numpy as np

        from logger.store.days import DailyValues
        from logger.verification.reading import TRANSMITTER_DB, transmitter_spread_db

        recent = DailyValues(self.database).days(now_ns - USUAL_NS, now_ns)
        own = [days.power_w for days in recent if days.channel == channel]
        if not own:
            return TRANSMITTER_DB
        return transmitter_spread_db(np.asarray(own[0], dtype=np.float64))

    def all(self, until_ns: int | None = None) -> list[Verification]:
        """Return the verifications up to a time, oldest first."""
        rows = self.database.query(
            f"SELECT {', '.join(FIELDS)} FROM verifications WHERE time_ns <= coalesce(?, time_ns)"
            " ORDER BY time_ns, id",
            (until_ns,),
        )
        return self.add_usual_power(
            [Verification(**dict(zip(FIELDS, row, strict=True))) for row in rows]
        )

    def add_usual_power(self, checks: Sequence[Verification]) -> list[Verification]:
        """Return checks, in order of time, with the transmitter's usual power before each."""
        if not checks:
            return []
        # Imported here, since they need numpy: other commands ask for the last check only.
        from logger.store.days import DailyValues
        from logger.verification.usual_power import FIRST_DAYS, add_usual_power

        since_ns = checks[0].time_ns - FIRST_DAYS * DAY_NS
        return add_usual_power(
            checks, DailyValues(self.database).days(since_ns, checks[-1].time_ns)
        )

    def last_ns(self) -> int | None:
        """Return the time of the last verification, None if there is none."""
        newest = self.database.query_row("SELECT max(time_ns) FROM verifications")
        return None if newest is None else newest[0]
