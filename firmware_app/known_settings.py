"""What the unit knows of the settings on disk, what was edited there since, and what it writes there itself."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import msgspec

from firmware_app import settings
from firmware_app.preparation import Preparation
from firmware_app.settings import SettingsError


class KnownSettings:
    """The settings as they were read last.

    unit: unit.toml as it stands there, which is not always what holds: a card may not take what was chosen. anew: what
    the rider's settings make of the options that the unit was started with; without it nothing is read again.
    """

    def __init__(self, unit: settings.Unit, anew: Callable[[], Preparation] | None) -> None:
        self.unit = unit
        self._anew = anew
        self._as_read = settings.edited()

    def edited(self) -> bool:
        """Whether a file was edited since. Asks the card, which may take long."""
        return settings.edited() != self._as_read

    def read(self) -> Preparation | None:
        """Read what was edited since; None for nothing.

        Raises SettingsError or BandError for what cannot be used, and knows what it knew before.
        """
        as_read = settings.edited()
        if self._anew is None or as_read == self._as_read:
            return None
        ready, unit = self._anew(), settings.load_unit()
        self._as_read, self.unit = as_read, unit
        return ready

    def remember(self, changes: Mapping[str, str | int | bool]) -> None:
        """Write dotted keys of unit.toml. What is written here is no edit to be taken up. Raises SettingsError."""
        try:
            settings.remember("unit", changes)
        except OSError as error:
            path = settings.config_dir() / "unit.toml"
            keys = " and ".join(changes)
            raise SettingsError(
                f"{path}: {keys} cannot be written ({error.strerror}): it holds for today only; check the card"
            ) from error
        for key, value in changes.items():
            table, name = key.split(".")
            changed = msgspec.structs.replace(getattr(self.unit, table), **{name: value})
            self.unit = msgspec.structs.replace(self.unit, **{table: changed})
