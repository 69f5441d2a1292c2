"""The dashboard: reads the archive, serves pages, JSON and live events."""

from sootsayer_web.app import create_app
from sootsayer_web.serving import serve

__all__ = ["create_app", "serve"]
