"""Rolling windows over eligible time and chances: rule, finding, alert."""
