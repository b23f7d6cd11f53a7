"""Times as riders read them."""

from __future__ import annotations

import pytest

from firmware_app.core.times import clock_text, rounded_time


@pytest.mark.parametrize(
    ("seconds", "text"), [(0, "0:00"), (59.4, "0:59"), (59.5, "1:00"), (725, "12:05"), (3765, "1:02:45")]
)
def test_a_time_that_is_past_is_rounded(seconds: float, text: str) -> None:
    assert rounded_time(seconds) == text


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(-3, "0:00"), (0, "0:00"), (0.1, "0:01"), (59.1, "1:00"), (sum([0.1] * 30), "0:03"), (3599.001, "1:00:00")],
)
def test_a_countdown_shows_nothing_left_only_at_its_end(seconds: float, text: str) -> None:
    assert clock_text(seconds) == text
