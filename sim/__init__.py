"""The simulator: synthetic riders, straps and their faults, and the benches that score the unit on them."""
