"""Words and numbers as people read them."""

from __future__ import annotations

import doctest
from datetime import date

import pytest

from analytics.account import Window
from app import statement, wording
from app.wording import duration, listed, number, plural, share, span_text
from tests.logs import at, plant


@pytest.mark.parametrize("module", [wording, statement], ids=lambda m: m.__name__)
def test_the_examples_in_the_docs_are_true(module):
    found = doctest.testmod(module)
    assert found.attempted > 0
    assert found.failed == 0


@pytest.mark.parametrize(
    ("us", "words"),
    [(4_200_000, "4.2 s"), (59_400_000, "59 s"), (125_000_000, "2 min 05 s"), (3_780_000_000, "1 h 03 min")],
)
def test_a_duration_is_written_as_people_say_it(us, words):
    assert duration(us) == words


def test_numbers_have_a_true_minus_and_zero_has_none():
    assert number(-1234.5, 1) == "−1,234.5"
    assert number(-0.01, 1) == "0.0"
    assert share(None) == "–"


def test_a_span_names_its_zone_and_the_date_on_which_it_ends():
    night = Window("night", at("22:00", "2026-10-23"), at("06:00", "2026-10-24"))
    assert span_text(plant(), night) == "22:00–Sat 24 Oct 06:00 Europe/Berlin"


def test_a_span_over_a_clock_change_says_both_offsets_and_its_length():
    night = Window("night", at("22:00", "2026-10-24"), at("06:00", "2026-10-25"))
    assert span_text(plant(), night) == "22:00 +02:00–Sun 25 Oct 06:00 +01:00 Europe/Berlin (9 h 00 min)"


def test_words_for_days_units_and_lists():
    assert wording.day_text(date(2026, 10, 24)) == "Saturday 24 October 2026"
    assert (plural("spoon"), plural("spoon", 1), plural("glass")) == ("spoons", "spoon", "glass")
    assert listed(["a", "b", "c"], most=2) == "a, b and 1 more"
