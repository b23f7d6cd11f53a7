"""Benches: what the unit is worth on synthetic rides, and how fast. ``python -m sim.bench NAME``, each in its module."""
