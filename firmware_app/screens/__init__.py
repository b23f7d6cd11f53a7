"""State in, pygame surface out. No logic, no input and no time of its own."""
