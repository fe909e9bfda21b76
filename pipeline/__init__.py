"""Safelight: a post-production pipeline runner for still photographers."""

__version__ = "0.1.0"
