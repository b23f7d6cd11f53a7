"""Scenario files, and the rides they make: the same seed gives the same bytes on every machine."""

from __future__ import annotations

import struct
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from firmware_app.core.measurement import encode
from firmware_app.settings import SettingsError
from sim.rider import STEP_S
from sim.scenario import LabelledRide, Scenario, labelled_ride, load, names

GOOD = """
about = "a test"
duration_s = 600
target = { percent = [60, 75] }
rider = { mass_kg = 70, peak_w_per_kg = 4 }
[[block]]
repeat = 3
step = [{ s = [60, 60], watts = 140 }, { s = [30, 90], fraction = 0.4, to = 0.8 }]
"""


def fingerprint(ride: LabelledRide) -> str:
    """SHA-256 over arrival times in ms and packets; a ride without a reported heart rate counts as 0 bpm."""
    digest = sha256(repr((ride.hr_max_bpm, ride.target_bpm)).encode())
    for t_s, m in ride.rows:
        packet = encode(m if m.hr_bpm is not None else type(m)(0, m.rr_ms, m.contact))
        digest.update(struct.pack("<I", round(t_s * 1000)) + packet)
    digest.update(np.round(ride.latent_bpm * 1000).astype("<i8").tobytes())
    return digest.hexdigest()


STORED = {
    "bunch": "4cbd49a86331c1b754eaf4a3b442a07f72bc2ca446a399c4c0cf0c79b2dbb5c3",
    "demo": "e8ae6581019a750d6f9fae325726d68935a593e04a2d1f557fcc025db2cab090",
    "hell": "b6080fde084bfc45173054d1138bc10be55e79ead7116a19536736bf8e28addb",
    "hills": "a39c55fb3d8be6de7d38e2380fcfe19a8626f91d405c5347760de52eb7d38e8b",
    "intervals": "8774bad745de2fa096c75bc8be588dafcda12edf12470ae44b5ba9151b42693a",
    "maximal": "53e683c1bdf589aec73b54562d3402e997c023b503170e595a5c28c8980cd4c7",
    "sprints": "598d1bdc95327a72df3b442c8e97f9dd63ef20e3ad741b59b26b946999d8a02c",
    "steady": "ae873b2c710f2674defda47a0f6d1aa1c3a1850d11b00c5fbba3b1f982e6db64",
}
"""Change these only together with a change of the model or of a scenario that is meant to change the rides."""


@pytest.mark.parametrize("name", sorted(STORED))
def test_the_same_seed_gives_the_same_bytes_on_every_machine(name: str) -> None:
    assert fingerprint(labelled_ride(name, 1.0, 1)) == STORED[name]


def test_another_seed_gives_another_ride() -> None:
    assert len({fingerprint(labelled_ride("demo", 1.0, seed)) for seed in range(5)}) == 5


@pytest.mark.parametrize("name", names())
def test_every_scenario_can_be_ridden(name: str) -> None:
    ride = labelled_ride(name, 1.0, 2)
    scenario = load(name)
    assert scenario.about
    assert len(ride.t_s) == len(ride.latent_bpm) == len(ride.workload) == int(scenario.duration_s / STEP_S)
    assert 0 < ride.target_bpm[0] < ride.target_bpm[1] <= ride.hr_max_bpm
    assert 40 < ride.latent_bpm.min() < ride.latent_bpm.max() <= ride.hr_max_bpm
    assert len(ride.rows) > 0.7 * scenario.duration_s
    # The lane is really left, or there would be nothing to score.
    assert (ride.latent_bpm > ride.target_bpm[1] + 2).any()


def test_dirt_changes_the_notifications_and_not_the_heart() -> None:
    clean, dirty = labelled_ride("hills", 0.0, 4), labelled_ride("hills", 3.0, 4)
    assert (clean.latent_bpm == dirty.latent_bpm).all()
    assert clean.target_bpm == dirty.target_bpm
    assert clean.episodes == []
    assert len(dirty.episodes) > 50


def test_rides_differ_in_what_the_strap_sends() -> None:
    assert {labelled_ride("demo", 1.0, seed).strap.signal for seed in range(30)} == {"both", "bpm", "rr"}


def test_a_scenario_of_ones_own(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD, encoding="utf-8")
    ride = labelled_ride(str(path), 0.0, 1)
    assert len(ride.t_s) == 2400
    assert ride.workload[0] == 0.5  # 140 W of 70 kg x 4 W/kg
    assert ride.target_bpm == tuple(int(share * ride.hr_max_bpm + 0.5) for share in (0.60, 0.75))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("duration_s = 600", "duration_s = 5", "duration_s"),
        ("watts = 140", "wats = 140", "wats"),
        ("watts = 140", "watts = 140, fraction = 0.4", r"block\[0\]\.step\[0\]: give either fraction or watts"),
        ("s = [60, 60]", "s = [60, 6]", r"block\[0\]\.step\[0\]\.s.*shorter time first"),
        ("[60, 75]", "[75, 60]", "target.*lower limit first"),
        ("{ percent = [60, 75] }", "{}", "target: give either percent or share"),
        ('about = "a test"', 'about = "a test"\nfaults = { stuck = { s = [9, 1] } }', r"faults\.stuck\.s"),
        ('about = "a test"', 'about = "a test"\nfaults = { gremlins = {} }', "gremlins"),
    ],
)
def test_a_bad_scenario_names_file_key_and_cure(tmp_path: Path, old: str, new: str, says: str) -> None:
    assert old in GOOD
    path = tmp_path / "mine.toml"
    path.write_text(GOOD.replace(old, new), encoding="utf-8")
    with pytest.raises(SettingsError, match=says) as caught:
        load(str(path))
    assert str(path) in str(caught.value)


def test_an_unknown_scenario_lists_the_known_ones() -> None:
    with pytest.raises(SettingsError, match=r"no such scenario; choose from .*hills.*intervals"):
        load("valleys")


def test_a_loaded_scenario_can_be_ridden_too() -> None:
    scenario = load("demo")
    assert isinstance(scenario, Scenario)
    assert fingerprint(labelled_ride(scenario, 1.0, 3)) == fingerprint(labelled_ride("demo", 1.0, 3))
