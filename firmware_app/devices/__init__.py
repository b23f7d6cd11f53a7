"""What the unit is wired to: one module per thing, each with a stand-in beside the real one.

A device delivers events to the unit or obeys its effects; none decides anything about the ride. Any of them may be
missing or fail: it then says so with a notice and the ride goes on.
"""
