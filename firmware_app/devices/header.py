"""The 40-pin header: which pins may carry what, and what to tell a rider when one cannot be had.

Pin numbers are BCM (GPIO) numbers. Which pins the header has, which of them the add-on board identification owns
(0, 1), which carry a fixed pull-up (2, 3) and which can make PWM in hardware (12, 13, 18, 19): the maker's GPIO
documentation and gpiozero's own table of the board (``gpiozero.pins.data``), against which a test checks them.
Which are pulled up at power-on (0 to 8): BCM2835 ARM Peripherals, table 6-31 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from firmware_app.core.events import Fault

if TYPE_CHECKING:
    from firmware_app.settings import Unit

IDENTIFICATION = (0, 1)
FIXED_PULL_UP = (2, 3)
HARDWARE_PWM = (12, 13, 18, 19)
PULLED_UP_AT_POWER_ON = range(9)
PHYSICAL = {
    0: 27, 1: 28, 2: 3, 3: 5, 4: 7, 5: 29, 6: 31, 7: 26, 8: 24, 9: 21, 10: 19, 11: 23, 12: 32, 13: 33, 14: 8, 15: 10,
    16: 36, 17: 11, 18: 12, 19: 35, 20: 38, 21: 40, 22: 15, 23: 16, 24: 18, 25: 22, 26: 37, 27: 13,
}  # fmt: skip
"""BCM number to the position on the header, counted as the board's own drawing does; for whoever holds the wire."""


def pins(unit: Unit) -> dict[str, int]:
    """The pins that ``unit`` takes, by their keys in unit.toml. A silent sounder and an unfitted key take none."""
    taken = {f"keys.{key}_pin": pin for key, pin in unit.keys.fitted().items()}
    return taken if unit.sounder.kind == "silent" else {**taken, "sounder.pin": unit.sounder.pin}


def problem_with(unit: Unit) -> str:
    """Why these pins cannot be wired so, naming the key and the cure; "" when they can."""
    seen: dict[int, str] = {}
    for key, pin in pins(unit).items():
        if pin in IDENTIFICATION:
            return f"{key}: pin {pin} is for the identification of add-on boards; choose one from 2 to 27"
        if pin in seen:
            return f"{key}: pin {pin} is already {seen[pin]}; give each its own pin and move the wire"
        seen[pin] = key
    if unit.sounder.kind != "silent" and unit.sounder.active_high and unit.sounder.pin in FIXED_PULL_UP:
        return (
            f"sounder.pin: pin {unit.sounder.pin} is pulled up by the board, so the sounder would sound whenever the "
            "program is not running; choose another, such as 18"
        )
    return ""


def hints(unit: Unit) -> tuple[str, ...]:
    """What would be better wired otherwise, though it works."""
    sounder = unit.sounder
    if sounder.kind == "silent":
        return ()
    found = []
    if sounder.kind == "piezo" and sounder.pin not in HARDWARE_PWM:
        better = ", ".join(map(str, HARDWARE_PWM))
        found.append(f"sounder.pin: pin {sounder.pin} has no PWM in hardware; tones can be cleaner on {better}")
    if sounder.active_high == (sounder.pin in PULLED_UP_AT_POWER_ON):
        level = "up" if sounder.active_high else "down"
        found.append(
            f"sounder.pin: pin {sounder.pin} is pulled {level} at power-on, so the sounder may sound until the program "
            "starts; a resistor of 10 kilo-ohm that holds it off cures that"
        )
    return tuple(found)


@contextmanager
def opening() -> Iterator[None]:
    """Around the making of a pin: keeps the pin library from talking, and from littering.

    Looking for a back end, gpiozero warns in many lines of what a fault says in one. And lgpio, once it is imported,
    makes a named pipe in the working folder, fails where that cannot be written to, and with $LG_WD set takes that for
    the working folder of the whole program: it gets a folder of its own, and the program its own back.
    """
    import atexit
    import os
    import shutil
    import tempfile
    import warnings

    if "LG_WD" not in os.environ:
        os.environ["LG_WD"] = tempfile.mkdtemp(prefix="rumblestrip-pins-")
        atexit.register(shutil.rmtree, os.environ["LG_WD"], ignore_errors=True)
    here = os.open(".", os.O_RDONLY | os.O_DIRECTORY)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        os.fchdir(here)
        os.close(here)


def fault(part: str, pin: int, error: Exception) -> Fault:
    """What a pin's failure means for the rider: what is wrong, in words, and what to do."""
    from gpiozero import BadPinFactory, GPIOPinInUse, PinPWMError

    what = f"The {part} on pin {pin}"
    if isinstance(error, BadPinFactory | ImportError):
        return Fault(part, f"No {part}: {_no_pins()}.")
    if isinstance(error, GPIOPinInUse):
        return Fault(part, f"{what} is off: the pin is used twice. Give each its own in unit.toml.")
    if isinstance(error, PinPWMError):
        return Fault(part, f"{what} cannot make tones here: install rumblestrip[pi], or set its kind to buzzer.")
    reason = " ".join(str(error).split()) or type(error).__name__
    return Fault(part, f"{what} does not answer ({reason}). Check its wire, and that no other program holds the pin.")


def _no_pins() -> str:
    import importlib.util
    import os
    from pathlib import Path

    chips = sorted(Path("/dev").glob("gpiochip*"))
    if not chips:
        return "this computer has no GPIO pins"
    if not any(os.access(chip, os.R_OK | os.W_OK) for chip in chips):
        return f"no permission for {chips[0]}; add this user to the group gpio and log in again"
    if importlib.util.find_spec("lgpio") is None:
        return "the pin library is missing; install rumblestrip[pi]"
    return "gpiozero does not know this board; set GPIOZERO_PIN_FACTORY to a back end that drives it"
