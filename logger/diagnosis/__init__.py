"""What may be wrong, and what to look at next.

history   rows of the store as columns
onset     since when it is otherwise
evidence  measured figures before and since, with their uncertainty
findings  statements that hold more or less, in words
rules     patterns, causes, checks and cautions: data
scoring   findings to causes, or "does not know"
words     all of it for people
alarms    the same about one alarm
"""

from __future__ import annotations

from logger.diagnosis.alarms import advice, diagnosis_of
from logger.diagnosis.evidence import Evidence
from logger.diagnosis.scoring import Diagnosis, diagnose

__all__ = ["Diagnosis", "Evidence", "advice", "diagnose", "diagnosis_of"]
