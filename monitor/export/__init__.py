"""A day as a folder that can be read, recomputed and checked by whoever was not there."""
