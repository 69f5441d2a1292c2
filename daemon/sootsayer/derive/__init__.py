"""Pure functions from readings to quantities: frames, running states, openings, gas."""
