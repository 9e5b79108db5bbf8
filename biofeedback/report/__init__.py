"""Answers to figures, HTML and PDF."""
