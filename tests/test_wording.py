"""Numbers and lists inside sentences."""

from __future__ import annotations

from logger.wording import count, join, list_ids


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


def test_ids_are_listed_with_commas() -> None:
    assert list_ids("alarm", "3") == "alarm 3"
    assert list_ids("excursion", "3 4 15") == "excursions 3, 4, 15"
