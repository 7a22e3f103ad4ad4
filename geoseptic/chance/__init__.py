"""How sure a place is: how the true places of things spread, draws of them, and chances that follow exactly. Arrays in metres, no files."""
