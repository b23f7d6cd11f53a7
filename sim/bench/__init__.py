"""Benches: what the unit is worth, and how fast. ``python -m sim.bench NAME``; each is a module of this package."""
