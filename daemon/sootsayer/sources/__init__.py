"""Where bytes and frames come from: the only code that talks to a car."""
