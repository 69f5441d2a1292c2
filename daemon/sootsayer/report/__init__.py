"""What leaves the archive: exports."""
