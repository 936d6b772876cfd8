"""Millimetres per pixel."""
