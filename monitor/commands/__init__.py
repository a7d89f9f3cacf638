"""What each command does: one module a command or a family of them; `monitor/cli.py` is the way in."""
