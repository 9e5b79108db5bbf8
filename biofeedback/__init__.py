"""Contraction biofeedback for flexibility training."""

__version__ = "0.1.0"
