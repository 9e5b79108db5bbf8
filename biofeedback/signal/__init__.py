"""Frames to levels: stateful streaming filters, the same objects live and afterwards."""
