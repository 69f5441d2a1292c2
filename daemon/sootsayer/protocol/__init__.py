"""Codecs without I/O: bytes in, events out, and nothing the wire brings may raise."""
