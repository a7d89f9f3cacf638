"""One module per limit kind: a frozen spec and the watch that judges it reading by reading."""
