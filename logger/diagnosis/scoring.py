"""Ranking of causes: naive Bayes with the coarse likelihoods of `rules`, and a threshold.

A finding of degree p counts p ln P(holds | cause) + (1 - p) ln P(does not | cause); an unknown one
does not count. Findings share sources of error, so their sum is too optimistic: the best cause must
reach SURE before it is named. Otherwise the diagnosis says that it does not know, and which
findings are missing. That nothing has changed is never certain: a fault may be too small to detect.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import msgspec

from logger.diagnosis.checks import CautionedCheck, checks_of
from logger.diagnosis.evidence import Evidence
from logger.diagnosis.findings import EvidenceFinding, findings, sees
from logger.diagnosis.rules import (
    A_SIGN,
    BY_NAME,
    CAUSES,
    COUPLER,
    COUPLER_SIGNS,
    EXPECTED,
    HINTS,
    NOTHING,
    SELDOM,
    TELLING,
)
from logger.wording import count

LIKELY = 0.75  # least probability of the first cause for its pattern to be stated,
SURE = 0.9  # and for it to be named alone
SHOWN = 0.02  # least probability of a cause that is shown
TELLS = 1.0  # ln of the likelihood ratio above which a finding is shown as evidence


class Weighed(msgspec.Struct, frozen=True):
    """A cause with its probability, and the evidence for and against it in words."""

    name: str
    title: str
    likely: float
    behind: tuple[str, ...]
    for_: tuple[str, ...] = msgspec.field(name="for")
    against: tuple[str, ...]


class Diagnosis(msgspec.Struct, frozen=True):
    """Result of a diagnosis.

    pattern  in words
    sure     True if the first cause may be named
    causes   likeliest first
    checks   cheapest first
    more     what evidence is missing if not sure
    odds     probability of each cause
    """

    pattern: str
    sure: bool
    causes: tuple[Weighed, ...]
    checks: tuple[CautionedCheck, ...]
    more: tuple[str, ...]
    odds: dict[str, float]

    @property
    def likely_cause(self) -> str | None:
        """Name of the cause with a probability of at least LIKELY, None if there is none."""
        cause, share = next(iter(self.odds.items()), (NOTHING, 0.0))  # the likeliest is first
        return None if cause == NOTHING or share < LIKELY else cause


def diagnose(evidence: Evidence) -> Diagnosis:
    """Return the diagnosis from the evidence."""
    results = findings(evidence)
    odds = _odds(results, evidence.alarms)
    order = sorted(odds, key=lambda name: -odds[name])
    first = order[0]
    likely = odds[first] >= LIKELY
    sure = odds[first] >= SURE and first != NOTHING
    shown = [name for name in order if odds[name] >= SHOWN or name == first]
    causes = tuple(_weighed(name, odds, results) for name in shown)
    blamed = [name for name in shown if name != NOTHING] or [n for n in order if n != NOTHING][:3]
    pattern = BY_NAME[first].pattern
    if not likely:
        pattern = "The evidence does not single out a cause."
    return Diagnosis(
        pattern=pattern,
        sure=sure,
        causes=causes,
        checks=checks_of(blamed[:1] if sure else blamed[:3]),
        more=() if sure else _more(results, evidence),
        odds={name: round(odds[name], 4) for name in order},
    )


def expected(cause: str, finding: str) -> float:
    """Return the probability of a finding given a cause."""
    return EXPECTED[cause].get(finding, {**COUPLER_SIGNS, **TELLING}.get(finding, SELDOM))


def _odds(results: Mapping[str, EvidenceFinding], alarms: Mapping[str, int]) -> dict[str, float]:
    degrees = {name: result.degree for name, result in results.items() if result.degree is not None}
    scores = {cause.name: math.log(cause.prior) for cause in CAUSES}
    for cause in scores:
        for name, degree in degrees.items():
            if cause != COUPLER or name not in COUPLER_SIGNS:
                scores[cause] += _weight(degree, expected(cause, name))
        for kind, lifts in HINTS.items():
            if alarms.get(kind):
                scores[cause] += math.log(lifts.get(cause, 1.0))
    # Any sign of a bad coupler is sufficient: the strongest counts, with A_SIGN.
    signs = {name: degree for name, degree in degrees.items() if name in COUPLER_SIGNS}
    if signs:
        first = max(signs, key=lambda name: signs[name])
        scores[COUPLER] += _weight(signs[first], A_SIGN)
        scores[COUPLER] += sum(_weight(0.0, COUPLER_SIGNS[name]) for name in signs if name != first)
    top = max(scores.values())
    weights = {name: math.exp(score - top) for name, score in scores.items()}
    total = sum(weights.values())
    return {name: weight / total for name, weight in weights.items()}


def _weight(degree: float, likelihood: float) -> float:
    return degree * math.log(likelihood) + (1 - degree) * math.log(1 - likelihood)


def _weighed(
    name: str, odds: Mapping[str, float], results: Mapping[str, EvidenceFinding]
) -> Weighed:
    """Return a cause with its evidence.

    Evidence for a cause is a finding that the others would seldom show; evidence against it is the
    opposite.
    """
    for_: list[tuple[float, str]] = []
    against: list[tuple[float, str]] = []
    others = {other: share for other, share in odds.items() if other != name}
    total = max(sum(others.values()), 1e-12)
    for finding, result in results.items():
        if result.degree is None:
            continue
        holds = result.degree >= 0.5

        def likelihood(cause: str, finding: str = finding, holds: bool = holds) -> float:
            if cause == COUPLER and finding in COUPLER_SIGNS:
                return A_SIGN if holds else 0.5  # any other sign is sufficient as well
            p = expected(cause, finding)
            return p if holds else 1 - p

        rest = sum(share * likelihood(other) for other, share in others.items()) / total
        ratio = math.log(likelihood(name) / rest)
        plain = math.log(likelihood(name) / likelihood(NOTHING))
        weight = max(ratio, plain) if holds else ratio
        if weight >= TELLS:
            for_.append((-weight, result.words))
        elif min(ratio, plain) <= -TELLS:
            against.append((ratio, result.words))
    cause = BY_NAME[name]
    return Weighed(
        name=name,
        title=cause.title,
        likely=round(odds[name], 3),
        behind=cause.behind,
        for_=tuple(words for _, words in sorted(for_)),
        against=tuple(words for _, words in sorted(against)),
    )


def _more(results: Mapping[str, EvidenceFinding], evidence: Evidence) -> tuple[str, ...]:
    missing = dict.fromkeys(result.words for result in results.values() if result.degree is None)
    sentences = list(missing)
    if evidence.channels and not sees(evidence):
        sentences.append("reflection is so small, or so unsteady, that a change could hide in it")
    if evidence.transmissions[1] < 5:
        after = count(evidence.transmissions[1], "transmission")
        sentences.append(
            f"only {after} since the onset; a few more, on the lowest, a middle and the highest"
            " channel, would help"
        )
    return tuple(sentences)
