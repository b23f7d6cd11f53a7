"""Rumblestrip: keeps a rider in the heart-rate lane that they picked before setting off."""

__version__ = "0.1.0"
