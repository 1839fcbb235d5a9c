"""Provokes every limit and every loss of a bench at low energy and measures how it answers. Not a safety validation."""
