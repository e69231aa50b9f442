"""Clocks: offset and drift between recordings, and how late a device's heart rate is."""
