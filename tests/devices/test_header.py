"""Which pins may carry what; checked against gpiozero's own table of the board."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from gpiozero.pins.mock import MockFactory

from firmware_app.devices import header
from firmware_app.settings import KeySettings, SettingsError, SounderSettings, Unit, config_dir, load_unit


def own_unit(text: str) -> None:
    config_dir().mkdir(parents=True, exist_ok=True)
    (config_dir() / "unit.toml").write_text(text, encoding="utf-8")


def test_the_shipped_unit_is_wired_soundly() -> None:
    unit = load_unit()
    assert header.problem_with(unit) == ""
    assert header.hints(unit) == ()
    assert set(header.pins(unit)) == {"keys.minus_pin", "keys.select_pin", "keys.plus_pin", "sounder.pin"}


def test_the_header_is_the_one_that_gpiozero_knows() -> None:
    """Source: gpiozero.pins.data, board revision a02082 (40-pin header J8)."""
    board = MockFactory("a02082").board_info.headers["J8"].pins.values()
    known = {info.name: info for info in board if info.name.startswith("GPIO")}
    assert {f"GPIO{bcm}": position for bcm, position in header.PHYSICAL.items()} == {
        name: info.number for name, info in known.items()
    }
    assert {f"GPIO{bcm}" for bcm in header.HARDWARE_PWM} == {n for n, i in known.items() if "pwm" in i.interfaces}
    assert {f"GPIO{bcm}" for bcm in header.FIXED_PULL_UP} == {n for n, i in known.items() if i.pull == "up"}


@pytest.mark.parametrize(
    ("text", "key", "cure"),
    [
        ("[sounder]\npin = 13", "sounder.pin", "already keys.plus_pin"),
        ("[keys]\nminus_pin = 6", "keys.select_pin", "already keys.minus_pin"),
        ("[keys]\nplus_pin = 1", "keys.plus_pin", "choose one from 2 to 27"),
        ("[sounder]\npin = 0", "sounder.pin", "choose one from 2 to 27"),
        ("[sounder]\npin = 28", "sounder.pin", "change or remove that key"),
        ("[keys]\nplus_pin = -1", "keys.plus_pin", "change or remove that key"),
        ('[keys]\nplus_pin = "thirteen"', "keys.plus_pin", "change or remove that key"),
        ("[sounder]\npin = 2", "sounder.pin", "choose another, such as 18"),
    ],
)
def test_a_pin_that_cannot_be_is_refused_by_name(text: str, key: str, cure: str) -> None:
    own_unit(text)
    with pytest.raises(SettingsError) as refused:
        load_unit()
    assert str(config_dir() / "unit.toml") in str(refused.value)
    assert key in str(refused.value)
    assert cure in str(refused.value)


def test_what_is_not_fitted_takes_no_pin() -> None:
    own_unit('[sounder]\nkind = "silent"\npin = 6\n[keys]\nplus_pin = ""\nminus_pin = ""')
    assert header.pins(load_unit()) == {"keys.select_pin": 6}


@pytest.mark.parametrize(
    ("settings", "word"),
    [
        (SounderSettings(pin=17), "PWM"),
        (SounderSettings(kind="buzzer", pin=4), "pulled up at power-on"),
        (SounderSettings(kind="motor", pin=17, active_high=False), "pulled down at power-on"),
    ],
)
def test_what_would_be_better_elsewhere_is_a_hint_and_no_error(settings: SounderSettings, word: str) -> None:
    unit = Unit(sounder=settings, keys=KeySettings())
    assert header.problem_with(unit) == ""
    assert [word in hint for hint in header.hints(unit)] == [True]


def test_the_pin_library_neither_litters_nor_moves_the_program(tmp_path: Path) -> None:
    """With the real lgpio, whose named pipe would else lie in the working folder."""
    pytest.importorskip("lgpio", reason="lgpio is for Linux")
    code = (
        "import os, sys\n"
        "from firmware_app.devices.sounder import open_sounder\n"
        "from firmware_app.settings import SounderSettings\n"
        "open_sounder(SounderSettings())[0].close()\n"
        "assert 'lgpio' in sys.modules\n"
        "print(os.getcwd(), os.environ['LG_WD'])\n"
    )
    gone = ("GPIOZERO_PIN_FACTORY", "LG_WD")
    env = {name: value for name, value in os.environ.items() if name not in gone}
    env["PYTHONPATH"] = str(Path(header.__file__).resolve().parents[2])
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, env=env, capture_output=True, text=True, timeout=60
    )
    assert done.returncode == 0, done.stderr
    here, pipes = done.stdout.split()
    assert Path(here) == tmp_path
    assert not list(tmp_path.glob(".lgd*"))
    assert not Path(pipes).exists()  # cleared away at the end
