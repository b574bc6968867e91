"""Samples and bytes in, findings out: no files opened, no clock, no log, no print."""
