"""The pure core: what a ride means.

May live here: arithmetic, state machines and immutable values, on the standard library and numpy.
May not: a clock, a file, a thread, asyncio, or any library that talks to hardware. The core never asks for the time;
every event brings its own. ``tests/test_walls.py`` keeps this.
"""
