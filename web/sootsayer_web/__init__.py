"""The dashboard: reads the archive, serves pages, JSON and live events."""
