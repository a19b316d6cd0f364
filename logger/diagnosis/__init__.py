"""Diagnosis: possible causes of a change, and the next checks.

history   rows of the store as columns
onset     time of the change
evidence  measured figures before and since, with their uncertainty
findings  statements with degrees, in words
rules     patterns, causes, checks and cautions: data
scoring   findings to causes, or "does not know"
words     text of a diagnosis
alarms    diagnosis of one alarm
fault_story   what happened in one fault
explanation   the probable cause, as stored with a fault
"""

from __future__ import annotations

from logger.diagnosis.alarms import advice, diagnose_first, diagnosis_of
from logger.diagnosis.evidence import Evidence
from logger.diagnosis.explanation import store_explanation
from logger.diagnosis.fault_story import diagnose_fault, fault_advice
from logger.diagnosis.scoring import Diagnosis, diagnose

__all__ = [
    "Diagnosis",
    "Evidence",
    "advice",
    "diagnose",
    "diagnose_fault",
    "diagnose_first",
    "diagnosis_of",
    "fault_advice",
    "store_explanation",
]
