"""Keys: three push buttons to ground, the keys of a terminal, and what makes a press short, long or repeating."""

from __future__ import annotations

from dataclasses import dataclass

from firmware_app.core.events import Key, Press

STUCK_S = 10.0
"""A key held for longer is taken for stuck or wet. No press asks for half of that (common practice, no source)."""


@dataclass(slots=True)
class _Held:
    since_s: float
    due_s: float
    given: bool = False


class Holding:
    """Down and up to short, long and repeat: the one state machine behind buttons, keyboard and touch.

    ``short`` comes with the release, ``long`` after ``long_s`` seconds down, then ``repeat`` every ``repeat_s`` until
    the release, or for ``STUCK_S`` at most: a key shorted by rain must not turn a target up all day. A tick that comes
    late gives one press, not the ones it missed: after a stall nothing may rush. Times are seconds of any clock that
    never goes back. A ``down`` of a key that is down and an ``up`` of one that is up change nothing.

        holding = Holding(long_s=1.0, repeat_s=0.25)
        holding.down("plus", 0.0); holding.up("plus", 0.2)  # [Press("plus", "short")]
    """

    def __init__(self, long_s: float, repeat_s: float) -> None:
        if not 0 < long_s < STUCK_S or repeat_s <= 0:
            raise ValueError(f"long_s must lie between 0 and {STUCK_S:g}, repeat_s above 0")
        self._long_s = long_s
        self._repeat_s = repeat_s
        self._held: dict[Key, _Held] = {}

    def down(self, key: Key, t_s: float) -> list[Press]:
        """The key went down. Gives no press yet: it may still become a long one."""
        self._held.setdefault(key, _Held(t_s, t_s + self._long_s))
        return []

    def up(self, key: Key, t_s: float) -> list[Press]:
        """The key was released: one ``short``, or the ``long`` that no tick came in time for, or nothing."""
        held = self._held.pop(key, None)
        if held is None or held.given or t_s - held.since_s >= STUCK_S:
            return []
        return [Press(key, "short" if t_s < held.due_s else "long")]

    def tick(self, t_s: float) -> list[Press]:
        """Time passed: the ``long`` and ``repeat`` presses that are due, at most one for each key."""
        presses = []
        for key, held in self._held.items():
            if t_s < held.due_s or t_s - held.since_s >= STUCK_S:
                continue
            presses.append(Press(key, "repeat" if held.given else "long"))
            held.given = True
            held.due_s += self._repeat_s
            if held.due_s <= t_s:
                held.due_s = t_s + self._repeat_s
        return presses

    def held(self) -> tuple[Key, ...]:
        """The keys that are down, in the order they went down."""
        return tuple(self._held)

    def stuck(self, t_s: float) -> tuple[Key, ...]:
        """The keys that have been down for ``STUCK_S`` or longer."""
        return tuple(key for key, held in self._held.items() if t_s - held.since_s >= STUCK_S)
