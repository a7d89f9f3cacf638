"""The migrations, one file each, numbered."""
