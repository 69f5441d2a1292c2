"""The parts of a running recorder: what arrives, what is missing, what the clock did, how it is."""
