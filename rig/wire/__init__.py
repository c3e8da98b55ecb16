"""Bytes to records and back: the line format, ports, captures, recording formats."""
