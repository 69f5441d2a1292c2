"""Records engine data for days and judges exhaust gas recirculation."""

__version__ = "0.1.0"
