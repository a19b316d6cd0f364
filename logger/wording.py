"""Numbers and lists within sentences."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

HOW_LIKELY = ((0.95, "almost certainly"), (0.75, "probably"), (0.4, "perhaps"), (0.1, "possibly"))
UNLIKELY = "unlikely:"


def count(number: int, noun: str) -> str:
    """Return a number with its noun: "1 day", "2 days". The plural is formed by adding an s."""
    return f"{number} {noun}{'' if number == 1 else 's'}"


def swr_words(swr: float) -> str:
    """Return an SWR for a sentence that begins with "SWR"."""
    return f"{swr:.2f}" if swr < 100 else "above 100 (total reflection, as at an open or a short)"


def parse_positive(text: str) -> float | None:
    """Return a finite number above 0, with decimal point or comma; None if `text` is none."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        return None
    return value if 0 < value < math.inf else None


def list_ids(noun: str, ids: str) -> str:
    """Return "alarm 3" or "alarms 3, 4" for ids separated by spaces."""
    numbers = ids.split()
    return f"{noun}{'' if len(numbers) == 1 else 's'} {', '.join(numbers)}"


def capitalize(text: str) -> str:
    """Return a text with its first letter in upper case, the others as they are."""
    return text[:1].upper() + text[1:]


def likely(share: float) -> str:
    """Return a probability in a word or two."""
    return next((word for least, word in HOW_LIKELY if share >= least), UNLIKELY)


def join(names: Sequence[str]) -> str:
    """Return "a", "a and b" or "a, b and c" for one or more names."""
    return " and ".join(filter(None, [", ".join(names[:-1]), names[-1]]))


def suggest(word: str, choices: Iterable[str], otherwise: str) -> str:
    """Ask whether the nearest choice to a misspelt word is meant, else list all choices."""
    from difflib import get_close_matches

    choices = list(choices)
    matches = get_close_matches(word, choices, 1)
    return f"did you mean {matches[0]!r}?" if matches else f"{otherwise}: {', '.join(choices)}"


def span(low: float, high: float) -> str:
    """Return a range in words; one number if its ends are equal."""
    return f"{low:.3g}" if low == high else f"{low:.3g} to {high:.3g}"
