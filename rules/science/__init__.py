"""Published science as plain functions: each with its source, units and range."""
