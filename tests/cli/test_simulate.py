"""``simulate``: a whole ride in virtual time, the same for the same seed, and honest about what it cannot do."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from firmware_app import settings
from firmware_app.cli import main
from firmware_app.store.log import log_path, open_log

HEADLESS = ["simulate", "--headless", "--json"]


def told(capsys: pytest.CaptureFixture[str], *argv: str) -> dict[str, object]:
    assert main([*HEADLESS, *argv]) == 0
    document = json.loads(capsys.readouterr().out)
    assert isinstance(document, dict)
    return document


def test_a_headless_ride_is_one_document(capsys: pytest.CaptureFixture[str]) -> None:
    document = told(capsys)
    assert document["schema"] == "rumblestrip.ride/1"
    assert document["duration_s"] == pytest.approx(480, abs=2)
    kinds = {alarm["kind"] for alarm in document["alarms"]}  # type: ignore[attr-defined]
    assert {"above_target", "near_max"} <= kinds


def test_the_same_seed_gives_the_same_ride_and_another_seed_another(capsys: pytest.CaptureFixture[str]) -> None:
    first, again, other = told(capsys), told(capsys), told(capsys, "--seed", "2")
    assert first == again
    assert first != other


def test_a_clean_strap_is_trusted_more_than_an_awful_one(capsys: pytest.CaptureFixture[str]) -> None:
    clean, awful = told(capsys, "--dirt", "0"), told(capsys, "--dirt", "20")
    assert clean["summary"]["trusted_fraction"] > 0.95  # type: ignore[index]
    assert awful["summary"]["trusted_fraction"] < clean["summary"]["trusted_fraction"]  # type: ignore[index]


def test_help_names_the_most_dirt_that_is_taken(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--help"]) == 0
    assert "100 at most" in " ".join(capsys.readouterr().out.split())
    assert main([*HEADLESS, "--dirt", "101"]) == 2
    assert "give 0 to 100" in capsys.readouterr().err


def test_the_riders_own_choice_goes_before_the_scenarios(capsys: pytest.CaptureFixture[str]) -> None:
    document = told(capsys, "--target", "100-120bpm", "--hr-max", "200")
    assert (document["target_bpm"], document["hr_max_bpm"]) == ([100, 120], 200)
    assert told(capsys, "--plan", "recovery-spin")["target_bpm"] != [100, 120]


def test_nothing_is_stored_unless_it_is_asked_for(capsys: pytest.CaptureFixture[str]) -> None:
    told(capsys)
    assert not log_path().exists()
    stored = told(capsys, "--log")
    with open_log(log_path()) as log:
        [ride] = log.rides()
        assert ride.facts.source == "sim"
        assert ride.ended is not None
        assert log.record(ride.ride_id).duration_s == pytest.approx(stored["duration_s"], abs=0.01)


def test_a_ride_that_the_log_could_not_take_is_not_told_as_if_it_were_stored(private_home: Path) -> None:
    # 80 blocks of 512 bytes.
    little_room = ["sh", "-c", 'ulimit -f 80; exec "$@"', "sh"]
    command = [*little_room, sys.executable, "-m", "firmware_app", "simulate", "hills", "--headless", "--log"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert done.returncode == 1
    assert done.stdout == ""
    assert "could not be stored. Check the card." in done.stderr
    assert "wet the" not in done.stderr


def test_what_a_headless_ride_goes_by_is_said_but_not_beside_a_document(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--headless"]) == 0
    assert "Simulated rider: maximum 184 bpm, lane 120-144 bpm." in capsys.readouterr().err
    assert main(HEADLESS) == 0
    assert "Simulated rider" not in capsys.readouterr().err


def test_every_page_is_pictured(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = tmp_path / "new" / "pictures"
    assert main(["simulate", "--headless", "--pictures", str(folder)]) == 0
    names = {path.stem for path in folder.iterdir()}
    assert {"finding", "home", "settings", "plans", "ride-inside", "ride-over", "ride-near-maximum", "paused"} <= names
    assert "ride-on-its-way" in names  # a heart that is not in its lane yet is not pictured as one that is
    assert all(path.read_bytes().startswith(b"\x89PNG") for path in folder.iterdir())


def test_pictures_are_of_the_same_ride_up_to_its_last_moments(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for words in ([], ["hills", "--plan", "hard-eights"], ["--target", "none"]):
        without, pictured = told(capsys, *words), told(capsys, *words, "--pictures", str(tmp_path))
        assert pictured["target_bpm"] == without["target_bpm"]
        until_s = pictured["duration_s"] - 3  # type: ignore[operator]
        assert until_s == pytest.approx(without["duration_s"] - 12, abs=1)  # type: ignore[operator]
        alarms = [alarm for alarm in without["alarms"] if alarm["t_s"] < until_s]  # type: ignore[attr-defined]
        assert pictured["alarms"] == alarms


def test_a_plan_is_ridden_stored_and_at_home_after_it_with_pictures_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    from firmware_app.cli import simulate
    from firmware_app.core.views import HomeView, View

    seen: list[View] = []
    monkeypatch.setattr(simulate.Album, "keep", lambda self, view: seen.append(view))
    assert told(capsys, "--plan", "hard-eights", "--pictures", str(tmp_path), "--log")
    with open_log(log_path()) as log:
        assert log.ride("last").facts.plan == "hard-eights"
    assert {view.plan for view in seen if isinstance(view, HomeView)} == {"Hard eights"}


@pytest.mark.parametrize("saved", [0, 2])
def test_pictures_that_cannot_be_saved_are_told_after_the_ride(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch, saved: int
) -> None:
    from firmware_app.devices import panel

    real = panel.write_whole

    def filling_up(path: Path, content: bytes) -> None:
        if len([*tmp_path.iterdir()]) == saved:
            raise OSError(28, "No space left on device", f"{path}.part")
        real(path, content)

    monkeypatch.setattr(panel, "write_whole", filling_up)
    assert main([*HEADLESS, "--pictures", str(tmp_path)]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["schema"] == "rumblestrip.ride/1"
    assert len([*tmp_path.iterdir()]) == saved
    assert f"{tmp_path}/" in err
    assert ".png: No space left on device" in err


@pytest.mark.parametrize(
    ("argv", "wants"),
    [
        (["simulate", "--json"], "--headless"),
        (["simulate", "--headless", "--picture", "z.png"], "--pictures DIR"),
        (["simulate", "--headless", "--stop-after-s", "60"], "leave them out, or --headless"),
        (["simulate", "--headless", "--panel", "window"], "leave them out, or --headless"),
        (["simulate", "--headless", "--dirt", "-1"], "--dirt"),
        (["simulate", "--headless", "--dirt", "nan"], "--dirt"),
        (["simulate", "--headless", "--seed", "-1"], "--seed"),
        (["simulate", "nowhere", "--headless"], "demo"),
        (["simulate", "nowhere.toml", "--headless"], "nowhere.toml"),
        (["simulate", "/tmp", "--headless"], "simulate: /tmp: no such scenario; choose from"),
        (["simulate", "--headless", "--plan", "nowhere"], "long-easy"),
        (["simulate", "--headless", "--target", "200%"], "200%"),
        (["simulate", "--headless", "--pictures", "/proc/none/x"], "--pictures"),
    ],
)
def test_a_wrong_request_is_told_with_its_cure(capsys: pytest.CaptureFixture[str], argv: list[str], wants: str) -> None:
    assert main(argv) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert wants in err


@pytest.mark.parametrize("content", ["about = 3", "duration_s = 60", "[[block]]\nstep = 3", "x"])
def test_a_scenario_that_is_none_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str], content: str) -> None:
    file = tmp_path / "mine.toml"
    file.write_text(content)
    assert main(["simulate", str(file), "--headless"]) == 2
    assert str(file) in capsys.readouterr().err


def test_a_time_of_a_step_that_is_one_number_is_told_how_to_be_written(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "mine.toml"
    step = "[[block]]\n[[block.step]]\nfraction = 0.5\ns = 60\n"
    file.write_text(f'about = "x"\nduration_s = 60\ntarget = {{ percent = [65, 75] }}\n{step}')
    assert main(["simulate", str(file), "--headless"]) == 2
    assert "block[0].step[0].s: expected a list, got a whole number; write s = [60, 60]" in capsys.readouterr().err


def test_the_riders_settings_are_not_needed_and_not_changed(capsys: pytest.CaptureFixture[str]) -> None:
    told(capsys)
    assert not settings.config_dir().exists()


def test_a_headless_ride_without_a_target_speaks_of_none(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["simulate", "--headless"]) == 0
    assert "in target" in capsys.readouterr().out
    assert main(["simulate", "--headless", "--target", "none"]) == 0
    assert "in target" not in capsys.readouterr().out.splitlines()[0]
