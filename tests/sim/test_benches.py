"""The benches that no test runs to the end: each can be asked what it does, and what it sets is accepted."""

from __future__ import annotations

import pytest

from firmware_app import settings
from sim.bench.__main__ import main, names
from sim.bench.latency import ALARMS


@pytest.mark.parametrize("name", names())
def test_every_bench_says_what_it_measures(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as ended:
        main([name, "--help"])
    assert ended.value.code == 0
    assert "usage" in capsys.readouterr().out


def test_the_alarms_of_the_latency_bench_are_such_as_a_rider_may_set() -> None:
    table = settings.load_alarms(changes=[f"near_max.{key}={value}" for key, value in ALARMS.items()])
    assert table.near_max.dwell_s == 0
