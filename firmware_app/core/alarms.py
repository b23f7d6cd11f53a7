"""The alarm conditions, and the engine that runs them (to come)."""
from __future__ import annotations
from dataclasses import dataclass
@dataclass(frozen=True)
class AlarmTable:
    pass
def problem_with(table: AlarmTable) -> str:
    return ""
