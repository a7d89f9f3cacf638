"""From a wire to a Reading: one module per driver."""
