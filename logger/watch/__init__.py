"""Detectors, one a file, and the panel that runs them all over one soak."""
