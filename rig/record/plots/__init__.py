"""Drawings as files, by matplotlib, which is imported when one is made."""
