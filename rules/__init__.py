"""Judging, pure: no clock, no input or output, no threads, no logging."""
