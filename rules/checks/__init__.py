"""What a plan check looks at, one idea a module; `rules/plan_check.py` puts them in order."""
