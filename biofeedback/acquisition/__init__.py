"""Bytes to frames: decoders, device profiles, clocks and the sources that only move bytes."""
