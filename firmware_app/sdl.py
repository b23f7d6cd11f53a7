"""pygame, which draws by SDL, imported without its banner and without what it never needs here."""

from __future__ import annotations

import os
import sys
from types import ModuleType


def load() -> ModuleType:
    """Import pygame. Everything that uses it comes through here first.

    Its banner would spoil a JSON document on stdout. And where setuptools is installed, pygame loads pkg_resources just
    to look for a font file that it finds without as well: a third of its import, and a rider waits for the panel.
    """
    os.environ.setdefault("PYGAME_HIDE_SUPPORT_PROMPT", "1")
    hidden = not {"pygame", "pkg_resources"} & sys.modules.keys()
    if hidden:
        sys.modules["pkg_resources"] = None  # type: ignore[assignment] # what cannot be imported, says the import system
    try:
        import pygame
    finally:
        if hidden:
            del sys.modules["pkg_resources"]
    return pygame
