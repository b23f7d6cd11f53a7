"""The gallery shows what the unit would: its rides fit the bands, and say what a ride says."""

from __future__ import annotations

import pytest

from firmware_app import settings
from firmware_app.core import bands
from firmware_app.core.companion import Companion
from firmware_app.core.events import Tick
from firmware_app.core.measurement import Measurement
from firmware_app.core.record import RideFacts
from firmware_app.core.session import free_plan
from firmware_app.core.views import RideView
from sim.gallery import EXAMPLES

RIDES = {name: view for name, view in EXAMPLES.items() if isinstance(view, RideView)}


def table() -> bands.BandTable:
    return bands.table(settings.load_scheme("seven"), 188)


@pytest.mark.parametrize("name", RIDES)
def test_a_ride_of_the_gallery_fits_the_bands_and_its_lane(name: str) -> None:
    view = RIDES[name]
    assert view.hr_max_bpm == 188
    if view.low_bpm is not None:
        lane = bands.parse_target("4", table())
        assert (view.low_bpm, view.high_bpm) == (lane.low_bpm, lane.high_bpm)
    if view.hr_bpm is None:
        assert (view.percent, view.band, view.side) == (None, None, 0)
        return
    band = table().band_of(view.hr_bpm)
    assert (view.band, view.band_name) == (band.number, band.name)
    assert view.percent == bands.whole_bpm(view.hr_bpm * 100 / 188)
    assert view.tail_bpm[-1] == view.hr_bpm
    if view.low_bpm is not None and view.high_bpm is not None:
        assert view.side == (view.hr_bpm > view.high_bpm) - (view.hr_bpm < view.low_bpm)
    assert view.word == {1: "ease", 0: "", -1: "lift"}[view.side]


def test_the_gallery_tells_of_a_lost_signal_as_a_ride_does() -> None:
    ride = Companion(RideFacts(188), table(), settings.load_alarms(), free_plan("4"))
    for t_s in range(60):
        ride.feed(Measurement(147, (408.0, 409.0 + t_s % 2)), float(t_s))
    ride.feed(Tick(), 100.0)
    shown, example = ride.view(), RIDES["ride, no signal"]
    assert (shown.notice, shown.signal, shown.hr_bpm) == (example.notice, example.signal, example.hr_bpm)
