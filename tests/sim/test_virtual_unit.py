"""The whole unit on a simulated strap, in virtual time, against the companion alone on the same notifications."""

from __future__ import annotations

import json

import pytest

from firmware_app.cli import main
from sim.baselines import Ours
from sim.scenario import labelled_ride


@pytest.mark.parametrize(("scenario", "dirt"), [("demo", 1.0), ("hell", 1.0)])
def test_the_unit_sounds_what_the_companion_alone_would(
    scenario: str, dirt: float, capsys: pytest.CaptureFixture[str]
) -> None:
    asked = ["simulate", scenario, "--seed", "5", "--dirt", str(dirt), "--headless", "--json"]
    assert main(asked) == 0
    document = json.loads(capsys.readouterr().out)
    ride = labelled_ride(scenario, dirt, 5)
    assert (document["hr_max_bpm"], tuple(document["target_bpm"])) == (ride.hr_max_bpm, ride.target_bpm)
    lane = {"above_target", "below_target", "near_max"}
    heard = [(a["t_s"], a["kind"]) for a in document["alarms"] if not a["reminder"] and a["kind"] in lane]
    alone = [(t, kind) for t, kind in Ours().alarms(ride.rows, ride.hr_max_bpm, ride.target_bpm) if kind in lane]
    assert heard
    assert [kind for _, kind in heard] == [kind for _, kind in alone]
    assert [t_s for t_s, _ in heard] == pytest.approx([t_s for t_s, _ in alone], abs=0.3)
