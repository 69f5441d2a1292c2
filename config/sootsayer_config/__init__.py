"""Shipped settings: limits live here, each with its reason."""
