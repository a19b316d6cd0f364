"""Numbers and lists inside sentences."""

from __future__ import annotations

from logger.wording import count, join


def test_only_one_is_singular() -> None:
    assert [count(number, "day") for number in (0, 1, 2, 21)] == [
        "0 days",
        "1 day",
        "2 days",
        "21 days",
    ]


def test_the_last_two_names_are_joined_by_and() -> None:
    assert join(["a"]) == "a"
    assert join(["a", "b"]) == "a and b"
    assert join(["a", "b", "c"]) == "a, b and c"
